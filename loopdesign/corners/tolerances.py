"""What varies in a case, and by how much: every independent cause of spread with its ends.

Capacitors of one lot vary together, and so do the windings of coupled inductors, which share one core: each is one
cause that moves several factors.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign import case as cases
from loopdesign.corners.conditions import Corners

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray


CORE = "core.inductance"
"""Cause that moves the inductance of both windings on one core."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Varied:
    """One independent cause of spread.

    Attributes
    ----------
    name
        What the user calls it: ``L1.inductance``, ``gm``, ``lot A capacitance``.
    ends
        Per factor of `Corners`, its relative change at the lower and the upper end [unitless].
    """

    name: str
    ends: Mapping[str, tuple[float, float]]

    def factors(self, place: NDArray[np.float64]) -> dict[str, NDArray[np.float64]]:
        """Factors (B,) at places (B,) between the ends: -1 lower, 0 nominal, 1 upper; beyond them where asked."""
        return {key: 1.0 + np.where(place < 0.0, -place * low, place * high) for key, (low, high) in self.ends.items()}


@dataclass(frozen=True, slots=True)
class _Cause:
    """One factor of `Corners`, the cause that moves it, and how far."""

    name: str
    factor: str
    tolerance: cases.Tolerance


def toleranced(case: cases.Case, parts: Mapping[str, float] | None = None) -> tuple[Varied, ...]:
    """List every independent cause of spread of a case.

    Parameters
    ----------
    case
        The case.
    parts
        Compensation parts by name; those of zero are not fitted. All of the network's where absent.

    Returns
    -------
    tuple of Varied
        Capacitors of one lot are one cause, coupled windings another; each value with a tolerance of its own is one.
    """
    found: dict[str, dict[str, tuple[float, float]]] = {}
    for cause in (*_stage(case), *_input_filter(case), *_output_filter(case), *_control(case), *_network(case, parts)):
        if cause.tolerance:
            found.setdefault(cause.name, {})[cause.factor] = (cause.tolerance.low, cause.tolerance.high)
    return tuple(Varied(name=name, ends=ends) for name, ends in found.items())


def variants(
    corners: Corners, condition: NDArray[np.intp], varied: tuple[Varied, ...], places: NDArray[np.float64]
) -> Corners:
    """Build variants of conditions.

    Parameters
    ----------
    corners
        Nominal conditions (C,).
    condition
        (B,) which condition each variant has.
    varied
        Causes of spread (k).
    places
        (B,k) place of each cause between its ends, -1 to 1.

    Returns
    -------
    Corners
        (B,) with their factors.
    """
    factors: dict[str, NDArray[np.float64]] = {}
    for v, place in zip(varied, places.T, strict=True):
        factors.update(v.factors(place))
    return Corners(
        input_voltage=corners.input_voltage[condition],
        load_current=corners.load_current[condition],
        temperature=corners.temperature[condition],
        factors=factors,
    )


def _own(name: str, tolerance: cases.Tolerance) -> _Cause:
    """Make a cause that moves the one factor of its own name."""
    return _Cause(name, name, tolerance)


def _capacitor(part: cases.CapacitorEntry, name: str) -> Iterator[_Cause]:
    """Yield the causes of a capacitor: its lot's where it belongs to one."""
    for value, tolerance in (("capacitance", part.tolerance), ("esr", part.esr_tolerance)):
        yield _Cause(_lot(part.lot, name, value), f"{name}.{value}", tolerance)


def _damper(part: cases.Damper, name: str) -> Iterator[_Cause]:
    """Yield the causes of a damper, whose capacitor may belong to a lot."""
    yield _own(f"{name}.resistance", part.tolerance)
    yield _Cause(_lot(part.lot, name, "capacitance"), f"{name}.capacitance", part.tolerance)


def _lot(lot: str | None, name: str, value: str) -> str:
    """Name the cause that moves a value of a part."""
    return f"{name}.{value}" if lot is None else f"lot {lot} {value}"


def _stage(case: cases.Case) -> Iterator[_Cause]:
    """Yield the causes in the power stage."""
    stage = case.stage
    if isinstance(stage, cases.CustomStage):
        yield from _elements(stage)
        return
    if isinstance(stage, cases.TwoInductorStage):
        yield from _windings(stage)
    else:
        yield _own("L1.inductance", stage.L1.tolerance)
    for i, part in enumerate(stage.Co):
        yield from _capacitor(part, "Co" if len(stage.Co) == 1 else f"Co{i + 1}")
    if isinstance(stage, cases.TwoInductorStage):
        yield from _capacitor(stage.Cs, "Cs")
        if stage.damper is not None:
            yield from _damper(stage.damper, "damper")
    if isinstance(stage, cases.FlybackStage) and stage.leakage is not None and stage.clamp is not None:
        yield _own("leakage.inductance", stage.leakage.tolerance)
        for value in ("resistance", "capacitance"):
            yield _own(f"clamp.{value}", stage.clamp.tolerance)


def _elements(stage: cases.CustomStage) -> Iterator[_Cause]:
    """Yield the causes of a stage of the user's own; the load of each further output is one between its ends."""
    cores = {name: c.name for c in stage.couplings if c.coefficient.nominal for name in c.of}
    shared = f"{CORE.partition('.')[0]} %s.inductance" if len(set(cores.values())) > 1 else CORE
    for name, coil in stage.inductors.items():
        own = f"{name}.inductance"
        cause = own if name not in cores else shared % cores[name] if "%s" in shared else shared
        yield _Cause(cause, own, coil.tolerance)
    for coupling in stage.couplings:
        if k := coupling.coefficient.nominal:
            low, high = coupling.coefficient.lowest / k - 1.0, coupling.coefficient.highest / k - 1.0
            yield _own(coupling.name, cases.Tolerance(low, high))
    for name, part in stage.capacitors.items():
        yield from _capacitor(part, name)
    for resistor in stage.resistors:
        yield _own(f"{resistor.name}.resistance", resistor.tolerance)
    for output in stage.outputs:
        middle = output.current.nominal
        ends = (output.current.lowest / middle - 1.0, output.current.highest / middle - 1.0)
        yield _own(f"{output.name}.current", cases.Tolerance(*ends))


def _windings(stage: cases.TwoInductorStage) -> Iterator[_Cause]:
    """Yield the causes of two inductors, which are one core where they are coupled."""
    coupling = stage.coupling
    for name, part in (("L1", stage.L1), ("L2", stage.L2)):
        own = f"{name}.inductance"
        yield _Cause(CORE if coupling.nominal else own, own, part.tolerance)
    if coupling.nominal:
        low, high = coupling.lowest / coupling.nominal - 1.0, coupling.highest / coupling.nominal - 1.0
        yield _own("coupling", cases.Tolerance(low, high))


def _input_filter(case: cases.Case) -> Iterator[_Cause]:
    """Yield the causes in the input filter."""
    entry = case.input_filter
    if entry is None:
        return
    yield _own("filter.L.inductance", entry.L.tolerance)
    yield from _capacitor(entry.C, "filter.C")
    if entry.choke_leakage is not None:
        yield _own("filter.leakage.inductance", entry.choke_leakage.tolerance)
    if entry.damper is not None:
        other = "inductance" if entry.damper.inductance is not None else "capacitance"
        yield _own("filter.damper.resistance", entry.damper.tolerance)
        yield _own(f"filter.damper.{other}", entry.damper.tolerance)


def _output_filter(case: cases.Case) -> Iterator[_Cause]:
    """Yield the causes in the output filter."""
    entry = case.output_filter
    if entry is None:
        return
    yield _own("output_filter.L.inductance", entry.L.tolerance)
    yield from _capacitor(entry.C, "output_filter.C")
    if entry.damper is not None:
        yield from _damper(entry.damper, "output_filter.damper")


def _control(case: cases.Case) -> Iterator[_Cause]:
    """Yield the causes in modulator, error amplifier, divider and current sense."""
    modulator, amplifier = case.modulator, case.error_amplifier
    if modulator.scheme == "peak current":
        yield _own("sense_gain", modulator.sense_gain_tolerance)
        yield _own("slope", modulator.slope_tolerance if modulator.slope else cases.EXACT)
        yield _own("current_limit", modulator.current_limit_tolerance if modulator.current_limit else cases.EXACT)
    if amplifier is not None:
        yield _own("reference", amplifier.reference_tolerance)
        if amplifier.kind == "transconductance":
            yield _own("gm", amplifier.gm_tolerance)
        if amplifier.kind == "shunt optocoupler":
            low = amplifier.transfer_ratio if amplifier.transfer_ratio_min is None else amplifier.transfer_ratio_min
            high = amplifier.transfer_ratio if amplifier.transfer_ratio_max is None else amplifier.transfer_ratio_max
            typical = amplifier.transfer_ratio
            yield _own("transfer_ratio", cases.Tolerance(low / typical - 1.0, high / typical - 1.0))
    if case.divider is not None:
        for name in ("divider.upper", "divider.lower"):
            yield _own(name, case.divider.tolerance)
    if case.current_sense is not None:
        yield _own("current_sense.resistance", case.current_sense.tolerance)


def _network(case: cases.Case, parts: Mapping[str, float] | None) -> Iterator[_Cause]:
    """Yield the causes in the compensation network."""
    given = case.compensation
    if given is None:
        return
    for name in cases.PARTS_OF_NETWORK[given.network]:
        if parts is not None and not parts.get(name):
            continue
        tolerance = given.resistor_tolerance if name.startswith("R") else given.capacitor_tolerance
        yield _Cause(name, f"compensation.{name}", tolerance)
