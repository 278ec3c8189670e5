"""The clamp of a leakage inductance: its voltage and loss, what the switch sees, the duty commutation takes."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import product
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from loopdesign import case as cases
from loopdesign.analysis.findings.corner import corner_name
from loopdesign.analysis.findings.worst import with_ends
from loopdesign.corners.converters import solved
from loopdesign.corners.tolerances import toleranced, variants
from loopdesign.corners.trouble import strict
from loopdesign.errors import LoopDesignError
from loopdesign.network.batch import in_halves
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.network.places import closed_at
from loopdesign.orbit.waveforms import waveforms
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from loopdesign.corners.conditions import Corners
    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint
    from loopdesign.orbit.waveforms import Waveforms

    Array = NDArray[np.float64]

CLAMP, CAPACITOR = "Dc", "Cc"
"""Diode and capacitor of the clamp in the netlist."""
CAUSES = frozenset({"leakage.inductance", "clamp.resistance", "clamp.capacitance", "L1.inductance"})
"""Tolerances whose ends are combined."""
AT_ENDS = ("clamp_voltage_peak", "clamp_loss", "resistor_loss", "switch_voltage_peak")
"""Findings whose highest value at the ends is told."""
MOST_CORNERS = 16
"""Most corners of the highest voltage, and of the highest loss, at which the ends are solved."""

FAILURES = (LoopDesignError, *BREAKDOWN)


class SolvedStage(Protocol):
    """What is read of an examined power stage."""

    @property
    def conditions(self) -> Corners:
        """Conditions (B,) of line, load and temperature."""

    @property
    def converter(self) -> Converter:
        """The converter there, loop open."""

    @property
    def point(self) -> OperatingPoint:
        """Its operating points."""

    @property
    def waves(self) -> Waveforms:
        """One period of every current and voltage."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ClampFindings:
    """What leakage and clamp do at each corner (B,).

    Attributes
    ----------
    conditions
        Line and load.
    clamp_voltage, clamp_voltage_peak
        Average and peak voltage of the clamp's capacitor, counted from the supply [V].
    clamp_loss, resistor_loss
        All that the clamp turns into heat, and the part of its resistor [W].
    switch_voltage_peak
        Highest voltage across the switch: supply, clamp and the drop of its diode; no ringing [V].
    reflected_voltage
        Output with the rectifier's drop, seen from the primary [V].
    lost_duty
        Share of the period in which the switch conducts and the rectifier still carries current [unitless].
    loads
        Whether the clamp's capacitor falls to the reflected voltage, so that the clamp takes more than the leakage's
        energy.
    """

    conditions: Corners
    clamp_voltage: Array
    clamp_voltage_peak: Array
    clamp_loss: Array
    resistor_loss: Array
    switch_voltage_peak: Array
    reflected_voltage: Array
    lost_duty: Array
    loads: NDArray[np.bool_]

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the findings into one row per corner.

        Returns
        -------
        list of dict
            Line, load and every finding in SI units.
        """
        names = (
            "clamp_voltage", "clamp_voltage_peak", "clamp_loss", "resistor_loss", "switch_voltage_peak",
            "reflected_voltage", "lost_duty",
        )  # fmt: skip
        at = self.conditions
        return [
            {"input_voltage": float(at.input_voltage[k]), "load_current": float(at.load_current[k])}
            | {name: float(getattr(self, name)[k]) for name in names}
            | {"loads": bool(self.loads[k])}
            for k in range(len(at))
        ]


@dataclass(frozen=True, slots=True, kw_only=True)
class HighestFinding:
    """The highest value of one finding over corners and combinations of tolerance ends, and what makes it."""

    value: float
    input_voltage: float
    load_current: float
    ends: Mapping[str, float]

    def to_dict(self) -> dict[str, Any]:
        """Turn the finding into plain values."""
        return {
            "value": self.value, "input_voltage": self.input_voltage, "load_current": self.load_current,
            "ends": dict(self.ends),
        }  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class ClampStudy:
    """Leakage and clamp at nominal parts, and the highest findings at the ends of tolerances.

    Attributes
    ----------
    nominal
        Findings with nominal parts.
    at_ends
        The highest of each of `AT_ENDS` over every combination of ends of leakage, clamp and L1, by name; empty where
        none has a tolerance or only nominal parts were asked for.
    corners_at_ends
        At how many corners the ends were solved [unitless].
    failed
        A sentence about the ends that have no operating point; empty where all have one.
    """

    nominal: ClampFindings
    at_ends: Mapping[str, HighestFinding] = field(default_factory=dict)
    corners_at_ends: int = 0
    failed: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Turn the study into plain values.

        Returns
        -------
        dict
            Rows of nominal parts, and the highest findings at the ends; None where there are none.
        """
        return {
            "corners": self.nominal.to_rows(),
            "at_ends": {name: found.to_dict() for name, found in self.at_ends.items()} or None,
        }


def clamp_findings(
    case: cases.Case, conditions: Corners, converter: Converter, point: OperatingPoint, waves: Waveforms
) -> ClampFindings | None:
    """Read leakage and clamp from operating points; None where the case has no leakage.

    Parameters
    ----------
    case : Case
        The case.
    conditions : Corners
        Line and load (B,).
    converter : Converter
        The open-loop converter.
    point : OperatingPoint
        Its operating points.
    waves : Waveforms
        One period of every current and voltage there.

    Returns
    -------
    ClampFindings or None
        One entry per corner.
    """
    stage = case.stage
    if not isinstance(stage, cases.FlybackStage) or stage.clamp is None or converter.stage.clamp is None:
        return None
    value = dict(zip(waves.names, np.moveaxis(waves.values, 1, 0), strict=True))

    def mean(samples: Array) -> Array:
        return np.einsum("bs,bs->b", waves.weights, samples)

    held = value[f"v({CAPACITOR})"]
    across = held - value[f"v({CLAMP})"]  # a diode's voltage is counted while it blocks
    reflected = (converter.output_voltage + converter.stage.diode_drop) / stage.turns
    return ClampFindings(
        conditions=conditions,
        clamp_voltage=mean(held),
        clamp_voltage_peak=held.max(axis=1),
        clamp_loss=mean(value[f"i({CLAMP})"] * across),
        resistor_loss=mean(held**2) / converter.stage.clamp.resistance,
        switch_voltage_peak=value["v(switch)"].max(axis=1),
        reflected_voltage=np.broadcast_to(reflected, (len(conditions),)),
        lost_duty=_lost(point),
        loads=held.min(axis=1) <= reflected - stage.clamp.drop,
    )


def _lost(point: OperatingPoint) -> Array:
    """Share of the period (B,) in which switch and rectifier conduct together."""
    devices, configuration = point.problem.devices, point.sequence.configuration
    both = [
        k for k in range(len(point.network.configurations)) if closed_at(k) and devices.mask(k) & devices.while_open
    ]
    lengths = np.where(np.isin(configuration, both), point.lengths, 0.0)
    return np.asarray(lengths.sum(axis=1))


def clamp_study(case: cases.Case, stage: SolvedStage, *, ends: bool) -> ClampStudy | None:
    """Read leakage and clamp at nominal parts, and solve them at every combination of their ends and those of L1.

    L1 is among them, for its ripple adds to the peak current. Of many corners those with the highest voltage and the
    highest loss are taken.

    Parameters
    ----------
    case : Case
        The case.
    stage : ExaminedStage
        The power stage at its nominal corners.
    ends : bool
        Whether the ends are solved [unitless].

    Returns
    -------
    ClampStudy or None
        None where the case has no leakage.
    """
    nominal = clamp_findings(case, stage.conditions, stage.converter, stage.point, stage.waves)
    if nominal is None:
        return None
    varied = [v for v in toleranced(case, {}) if v.name in CAUSES]
    if not varied or not ends:
        return ClampStudy(nominal=nominal)
    order = (
        np.argsort(-values, kind="stable")[:MOST_CORNERS]
        for values in (nominal.switch_voltage_peak, nominal.clamp_loss)
    )
    which = np.unique(np.concatenate(list(order)))
    combinations = np.array(list(product((-1.0, 1.0), repeat=len(varied))))
    condition, places = np.repeat(which, len(combinations)), np.tile(combinations, (len(which), 1))
    corners = variants(stage.conditions, condition, tuple(varied), places)

    def find(items: NDArray[np.intp], *, guessed: bool = True) -> Array:
        some = corners.take(items)
        begin = stage.point.sequence.take(condition[items]) if guessed else None
        with strict():
            converter, point = solved(case, some, begin)
            read = clamp_findings(case, some, converter, point, waveforms(converter, point))
        return np.stack([getattr(read, name) for name in AT_ENDS], axis=-1)

    def alone(items: NDArray[np.intp]) -> Array:
        try:
            return find(items, guessed=False)
        except FAILURES:
            return np.full((1, len(AT_ENDS)), np.nan)

    found = in_halves(find, np.arange(len(corners)), failures=FAILURES, alone=alone)
    lost = np.flatnonzero(np.isnan(found[:, 0]))
    highest = {}
    for name, values in zip(AT_ENDS, found.T, strict=True):
        if len(lost) < len(corners):
            k = int(np.nanargmax(values))
            highest[name] = HighestFinding(
                value=float(values[k]), input_voltage=float(corners.input_voltage[k]),
                load_current=float(corners.load_current[k]), ends=_ends(corners, k),
            )  # fmt: skip
    failed: tuple[str, ...] = ()
    if len(lost):
        k = int(lost[0])
        others = f"; the same at {len(lost) - 1} others of {len(corners)} ends" if len(lost) > 1 else ""
        failed = (f"no operating point at {corner_name(corners, k)}{with_ends(_ends(corners, k))}{others}",)
    return ClampStudy(nominal=nominal, at_ends=highest, corners_at_ends=len(which), failed=failed)


def _ends(corners: Corners, k: int) -> dict[str, float]:
    """Relative changes of the toleranced values at one variant."""
    return {key: float(values[k] - 1.0) for key, values in corners.factors.items()}


def clamp_warnings(
    case: cases.Case, conditions: Corners, converter: Converter, point: OperatingPoint, waves: Waveforms
) -> Iterator[str]:
    """Warn of a clamp that takes more than the energy of the leakage.

    Parameters
    ----------
    case : Case
        The case.
    conditions : Corners
        Line and load (B,).
    converter : Converter
        The open-loop converter.
    point : OperatingPoint
        Its operating points.
    waves : Waveforms
        One period of every current and voltage there.

    Yields
    ------
    str
        One sentence, with the corner where the clamp's voltage is lowest beside the reflected one.
    """
    found = clamp_findings(case, conditions, converter, point, waves)
    if found is None or not found.loads.any():
        return
    k = int(np.argmin(np.where(found.loads, found.clamp_voltage - found.reflected_voltage, np.inf)))
    average, reflected = (format_quantity(float(v[k]), "V") for v in (found.clamp_voltage, found.reflected_voltage))
    yield (
        f"stage.clamp: at {int(found.loads.sum())} of {len(found.loads)} corners its capacitor falls to the reflected "
        f"output voltage of {reflected} between two pulses (average {average} at {corner_name(conditions, k)}), so "
        "that the clamp loads the converter; a larger resistance or capacitance keeps it above"
    )
