"""Study of a case's input filter: what it does to the loop and to the verdict, and how to damp it.

The converter draws constant power at low frequency, so its input resistance is negative; where the filter's output
impedance comes near the converter's input impedance the two can oscillate (R. D. Middlebrook, "Input filter
considerations in design and application of switching regulators", IEEE IAS Annual Meeting, 1976; from memory). Keeping
the impedances apart is a rule that suffices; the verdict is what decides, and it comes from the multipliers of filter,
converter and loop together.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import closed_model, examine_stage, loop_margins
from loopdesign.analysis.filter_study.impedance import filter_output_impedance
from loopdesign.analysis.filter_study.optimum import (
    FilterDamping,
    other_kinds,
    parallel_rc,
    ratio_of_parallel_rc,
)
from loopdesign.analysis.findings.corner import corner_name
from loopdesign.analysis.grids import LOWEST_SHARE_OF_IMPEDANCES, grid_with
from loopdesign.case import FilterDamper
from loopdesign.corners.trouble import names_file
from loopdesign.models.switched import SwitchedModel, input_impedance, loop_gain
from loopdesign.models.verdict import Verdict, verdicts
from loopdesign.units.preferred import between, round_to
from loopdesign.units.quantities import format_quantity, percent

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.corners.conditions import Corners
    from loopdesign.margins.margins import LoopMargins

ENOUGH_DB = 6.0
"""Separation from which no damper is proposed [dB].

C. M. Wildrick and others, "A method of defining the load impedance specification for a stable distributed power
system", IEEE Trans. Power Electronics 10(3), 1995 (from memory).
"""
MOST_LOST_DB = 10.0
"""Attenuation far above the corner that a damper may cost [dB]: a factor of three. The printed example of R-L across
the choke (F4) costs 9.5 dB; a filter is there to attenuate."""
LARGEST_RATIO = 10.0
"""Damper capacitance over filter capacitance, at most: beyond, a smaller choke is the better cure."""
POINTS = 400
REFINEMENTS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """Smallest ratio of input impedance to the filter's output impedance, per corner (B,).

    Attributes
    ----------
    db
        The ratio, negative where the filter's impedance is the larger [dB].
    frequency_hz
        Where it lies [Hz].
    filter_ohm, converter_ohm
        Sizes of both impedances there [ohm].
    """

    db: NDArray[np.float64]
    frequency_hz: NDArray[np.float64]
    filter_ohm: NDArray[np.float64]
    converter_ohm: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterProposal:
    """A damper for the filter, with standard values, examined in the case's own network.

    Attributes
    ----------
    damping
        By the optimum formulas, with the capacitance rounded up and the resistance rounded.
    separation
        With the damper.
    stable
        Whether every corner is stable with it, loop closed.
    alternatives
        Other kinds of damper for the same peak, by formula, not rounded; those that cost no attenuation first.
    left_out
        Kinds that would cost more of the filter's attenuation than `MOST_LOST_DB`.
    """

    damping: FilterDamping
    separation: Separation
    stable: bool
    alternatives: tuple[FilterDamping, ...]
    left_out: tuple[FilterDamping, ...] = ()

    @property
    def enough(self) -> bool:
        """Whether the separation with the damper keeps the rule it was chosen by."""
        return bool(self.separation.db.min() >= ENOUGH_DB)


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterStudy:
    """The input filter of a case at every corner.

    Attributes
    ----------
    case
        The case.
    conditions
        Line, load and temperature of every corner (B).
    frequencies_hz
        (F,) [Hz].
    closed
        Whether the loop is closed; else the control voltage is held and the loops are empty.
    filter_ohm
        (B,F) output impedance of the filter alone [ohm].
    converter_ohm
        (B,F) input impedance at the converter's terminals without the filter [ohm].
    separation
        The smallest separation of the two at each corner.
    loop_without, loop_with
        (B,F) loop gain without and with the filter; (B,0) where no loop is given.
    margins_without, margins_with, verdicts_without, verdicts_with
        One per corner; margins are empty where no loop is given.
    proposal
        A damper, where the separation is too small or the filter turns the verdict; else None.
    warnings
        The corner where filter and converter come nearest, and every corner whose verdict the filter turns.
    """

    case: cases.Case
    conditions: Corners
    frequencies_hz: NDArray[np.float64]
    closed: bool
    filter_ohm: NDArray[np.complex128]
    converter_ohm: NDArray[np.complex128]
    separation: Separation
    loop_without: NDArray[np.complex128]
    loop_with: NDArray[np.complex128]
    margins_without: tuple[LoopMargins, ...]
    margins_with: tuple[LoopMargins, ...]
    verdicts_without: tuple[Verdict, ...]
    verdicts_with: tuple[Verdict, ...]
    proposal: FilterProposal | None
    warnings: tuple[str, ...]

    @property
    def loop_change_db(self) -> NDArray[np.float64]:
        """(B,F) change of the loop gain's size by the filter [dB]."""
        return np.asarray(20.0 * np.log10(np.abs(self.loop_with) / np.abs(self.loop_without)))

    @property
    def turned(self) -> tuple[bool, ...]:
        """Per corner, whether the filter makes a stable converter unstable."""
        pairs = zip(self.verdicts_without, self.verdicts_with, strict=True)
        return tuple(a.stable and not b.stable for a, b in pairs)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Side:
    """The converter at every corner, with or without its filter."""

    stage: ExaminedStage
    model: SwitchedModel
    loop: SwitchedModel | None
    verdicts: tuple[Verdict, ...]


@names_file("no study of the input filter")
def filter_study(case: cases.Case, parts: Mapping[str, float], *, propose: bool = True) -> FilterStudy:
    """Study the input filter of a case at every corner.

    Parameters
    ----------
    case
        Case with an input filter.
    parts
        Compensation parts by designator [ohm], [F]; empty where the control voltage is held.
    propose
        Whether to propose a damper where one is needed.

    Returns
    -------
    FilterStudy
        Impedances, loop gains, margins, verdicts, proposal.

    Raises
    ------
    ValueError
        Where the case has no input filter.
    UnreachableOutputError
        Where losses keep the output below its target.
    """
    if case.input_filter is None:
        raise ValueError("the case has no [input_filter]")
    bare = _side(case.model_copy(update={"input_filter": None}), parts)
    full = _side(case, parts)
    f = _grid(case)
    source, period = full.stage.converter.source, full.model.point.network.period
    separation = _separation(full.stage, bare.model, f)
    empty = np.empty((len(period), 0), complex)
    loops = [empty if s.loop is None else loop_gain(s.loop, f) for s in (bare, full)]
    margins = [() if s.loop is None else loop_margins(s.loop) for s in (bare, full)]
    turned = any(a.stable and not b.stable for a, b in zip(bare.verdicts, full.verdicts, strict=True))
    needed = bool(separation.db.min() < ENOUGH_DB) or turned
    return FilterStudy(
        case=case,
        conditions=full.stage.conditions,
        frequencies_hz=f,
        closed=full.loop is not None,
        filter_ohm=filter_output_impedance(source, period, f),
        converter_ohm=input_impedance(bare.model, f),
        separation=separation,
        loop_without=loops[0],
        loop_with=loops[1],
        margins_without=margins[0],
        margins_with=margins[1],
        verdicts_without=bare.verdicts,
        verdicts_with=full.verdicts,
        proposal=_propose(case, parts, bare.model) if needed and propose else None,
        warnings=_warnings(full.stage.conditions, separation, bare.verdicts, full.verdicts),
    )


def _grid(case: cases.Case) -> NDArray[np.float64]:
    """Frequencies (F,) [Hz], closer around the filter's resonance, whose undamped peak is narrow."""
    resonance = 1.0 / (2.0 * np.pi * np.sqrt(_total_choke(case) * _filter_capacitance(case)))
    around = resonance * np.exp(np.sinh(np.linspace(-4.0, 4.0, 81)) / 100.0)
    switching = case.converter.switching_frequency
    return grid_with(switching, POINTS, around, lowest_share=LOWEST_SHARE_OF_IMPEDANCES)


def _side(case: cases.Case, parts: Mapping[str, float]) -> _Side:
    """Examine the case as it is, loop closed where parts are given."""
    stage = examine_stage(case)
    loop = closed_model(case, stage, parts) if parts else None
    return _Side(
        stage=stage, model=stage.model if loop is None else loop, loop=loop, verdicts=verdicts(stage.model, loop)
    )


def _separation(stage: ExaminedStage, bare: SwitchedModel, frequencies_hz: NDArray[np.float64]) -> Separation:
    """Find the smallest separation per corner on a grid, then on finer grids around it."""
    source, period = stage.converter.source, stage.point.network.period
    items = np.arange(len(period))
    f = np.broadcast_to(frequencies_hz, (len(period), len(frequencies_hz)))
    for _ in range(REFINEMENTS):
        own, converter = filter_output_impedance(source, period, f), input_impedance(bare, f)
        ratio = np.abs(converter) / np.abs(own)
        k = np.argmin(ratio, axis=1)
        low, high = f[items, np.maximum(k - 1, 0)], f[items, np.minimum(k + 1, f.shape[1] - 1)]
        best = (f[items, k], ratio[items, k], np.abs(own)[items, k], np.abs(converter)[items, k])
        f = np.geomspace(low, high, 31, axis=1)
    return Separation(db=20.0 * np.log10(best[1]), frequency_hz=best[0], filter_ohm=best[2], converter_ohm=best[3])


def _propose(case: cases.Case, parts: Mapping[str, float], bare: SwitchedModel) -> FilterProposal:
    """Choose a damper whose peak lies 6 dB below the lowest input impedance, and examine it in the network.

    The formulas leave out losses and the source, and values are rounded, so the capacitor grows by one value of its
    series at a time until the separation found is enough, or the largest ratio is reached.
    """
    choke, capacitance = _total_choke(case), _filter_capacitance(case)
    R0, f0 = np.sqrt(choke / capacitance), 1.0 / (2.0 * np.pi * np.sqrt(choke * capacitance))
    near = np.geomspace(f0 / 20.0, min(5.0 * f0, 0.5 * case.converter.switching_frequency), 200)
    wanted = float(np.abs(input_impedance(bare, near)).min()) / 10.0 ** (ENOUGH_DB / 20.0) / float(R0)
    ratio = min(ratio_of_parallel_rc(wanted), LARGEST_RATIO)
    largest = max(LARGEST_RATIO, 2.0 * ratio) * capacitance
    f = np.geomspace(near[0] / 10.0, near[-1], POINTS)
    for capacitor in between("E6", ratio * capacitance, largest):
        exact = parallel_rc(choke, capacitance, float(capacitor) / capacitance)
        resistance = float(round_to("E24", exact.resistance))
        damped = _damped(case, FilterDamper(resistance=resistance, capacitance=float(capacitor)))
        separation = _separation(examine_stage(damped), bare, f)
        if separation.db.min() >= ENOUGH_DB:
            break
    others = other_kinds(choke, capacitance, wanted)
    return FilterProposal(
        damping=replace(exact, resistance=resistance, capacitance=float(capacitor)),
        separation=separation,
        stable=all(v.stable for v in _side(damped, parts).verdicts),
        alternatives=tuple(d for d in others if d.attenuation_loss_db <= MOST_LOST_DB),
        left_out=tuple(d for d in others if d.attenuation_loss_db > MOST_LOST_DB),
    )


def _damped(case: cases.Case, damper: FilterDamper) -> cases.Case:
    """Put a damper into the input filter of a case."""
    given = case.input_filter
    filtered = None if given is None else given.model_copy(update={"damper": damper})
    return case.model_copy(update={"input_filter": filtered})


def _total_choke(case: cases.Case) -> float:
    """Nominal inductance between source and filter capacitor [H]."""
    given = case.input_filter
    if given is None:
        return 0.0
    leakage = 0.0 if given.choke_leakage is None else given.choke_leakage.inductance
    return given.L.inductance + leakage + given.source.inductance


def _filter_capacitance(case: cases.Case) -> float:
    """Nominal capacitance of the filter, at no bias [F]; what a bias takes makes the damper relatively larger."""
    return 0.0 if case.input_filter is None else case.input_filter.C.capacitance * case.input_filter.C.count


def _warnings(
    corners: Corners, separation: Separation, without: tuple[Verdict, ...], with_filter: tuple[Verdict, ...]
) -> tuple[str, ...]:
    """Say where filter and converter come too near, and where the filter changes the verdict; name the frequency."""
    told = []
    near = np.flatnonzero(separation.db < ENOUGH_DB)
    if len(near):
        item = int(near[np.argmin(separation.db[near])])
        own, other = (format_quantity(float(x[item]), "ohm") for x in (separation.filter_ohm, separation.converter_ohm))
        gap = float(separation.db[item])
        much = f"comes within {gap:.1f} dB of" if gap >= 0.0 else f"exceeds by {-gap:.1f} dB"
        rest = (
            f"; {len(near)} of {len(separation.db)} corners have less than the {ENOUGH_DB:g} dB that are common "
            "practice"
        )
        where = format_quantity(float(separation.frequency_hz[item]), "Hz")
        told.append(
            f"at {corner_name(corners, item)} the input filter's output impedance of {own} {much} the converter's "
            f"input impedance of {other} at {where}{rest}"
        )
    for item, (a, b) in enumerate(zip(without, with_filter, strict=True)):
        name = corner_name(corners, item)
        grows = b.worst_mode
        if a.stable and not grows.stable:
            told.append(
                f"at {name} the converter is stable without its input filter and UNSTABLE with it: {grows.name} at "
                f"{format_quantity(grows.frequency_hz, 'Hz')} grows by "
                f"{percent(abs(grows.multiplier) - 1.0)} per switching period"
            )
        elif a.stable and not b.stable:
            told.append(
                f"at {name} the converter is stable without its input filter and NOT HELD with it: the controller does "
                f"not keep its operating point ({b.held})"
            )
    return tuple(told)
