"""One corner of a check: its operating point, its verdict and its margins side by side, in plain numbers."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from loopdesign.units.quantities import format_quantity, percent

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from loopdesign.analysis.regimes.light import LightLoad
    from loopdesign.compensation.state_space import Compensator
    from loopdesign.corners.conditions import Corners
    from loopdesign.margins.margins import LoopMargins
    from loopdesign.models.insight import Plant
    from loopdesign.models.state_space import LinearSystem
    from loopdesign.models.verdict import Mode, Verdict
    from loopdesign.orbit.problem import OperatingPoint

MARGINS = ("crossover_hz", "phase_margin_deg", "gain_margin_db", "modulus_margin")
"""Readings of a loop gain; each is None where it does not exist."""
PLAIN = (
    "input_voltage", "load_current", "temperature", "mode", "duty", "control_voltage", "stable", "held", "regime",
)  # fmt: skip
"""Conditions, operating point and verdict of a corner, as JSON has them."""
NO_LOOP = "no loop is given"
NOT_HELD = "the converter does not stay at this operating point"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CornerResult:
    """What a check finds at one corner; a margin never stands without its verdict.

    Attributes
    ----------
    input_voltage, load_current, temperature : float
        The corner [V], [A], [degC].
    mode : {"CCM", "DCM"}
        Continuous or discontinuous conduction.
    duty : float
        On-time over period [unitless].
    control_voltage : float
        Control voltage that holds the output [V].
    stable : bool
        Whether every characteristic multiplier of the closed loop lies inside the unit circle and the operating point
        is held; without a loop that of the current loop.
    held : str or None
        Why the converter does not stay at this operating point although its equations have it; None where it does.
    regime : str or None
        What it does instead where its load needs less than a pulse every period: ``skips pulses`` or ``output rises``;
        None elsewhere.
    light_load : LightLoad or None
        Ripple, bursts and control voltage there.
    largest_multiplier : float
        Largest size of a multiplier [unitless].
    worst_mode : Mode
        The mode that belongs to it.
    current_loop_stable : bool
        The same verdict with the control voltage held.
    current_loop_worst_mode : Mode
        The mode that decides it.
    crossover_hz : float or None
        Highest crossover of the exact loop gain [Hz].
    phase_margin_deg : float or None
        Smallest phase margin over all crossovers [deg].
    gain_margin_db : float or None
        Smallest gain margin above the highest crossover [dB].
    modulus_margin : float or None
        Least distance of the loop gain from -1 [unitless].
    reasons : mapping of str to str
        For each margin that is None, why.
    plant : Plant
        Averaged control to output: poles, zeros, features; ``plant.to_control()``.
    compensator : Compensator or None
        Amplifier, divider and network; ``compensator.to_control()``. None without a loop.

    Examples
    --------
    >>> import loopdesign as ld
    >>> corner = ld.check("cases/tide_gauge_sepic_undamped.toml").corners[-1]
    >>> isinstance(corner, ld.CornerResult)
    True
    >>> corner.input_voltage, corner.load_current, corner.mode, corner.stable, f"{corner.phase_margin_deg:.0f} deg"
    (30.0, 1.2, 'CCM', True, '69 deg')
    >>> plant = corner.plant.to_control()
    >>> plant.nstates, plant.input_labels, plant.output_labels
    (6, ['control'], ['v(regulated)'])
    """

    input_voltage: float
    load_current: float
    temperature: float
    mode: Literal["CCM", "DCM"]
    duty: float
    control_voltage: float
    stable: bool
    held: str | None
    regime: str | None
    light_load: LightLoad | None = field(repr=False)
    largest_multiplier: float
    worst_mode: Mode
    current_loop_stable: bool
    current_loop_worst_mode: Mode
    crossover_hz: float | None
    phase_margin_deg: float | None
    gain_margin_db: float | None
    modulus_margin: float | None
    reasons: Mapping[str, str] = field(repr=False)
    plant: Plant = field(repr=False)
    compensator: Compensator | None = field(repr=False)

    @property
    def plant_poles_hz(self) -> NDArray[np.complex128]:
        """Poles of the averaged plant over two pi (n,), by frequency [Hz]."""
        return self.plant.poles_hz

    @property
    def plant_zeros_hz(self) -> NDArray[np.complex128]:
        """Finite zeros of the averaged plant over two pi (m,), by frequency [Hz]."""
        return self.plant.zeros_hz

    @property
    def loop(self) -> LinearSystem | None:
        """Averaged loop gain, plant times compensator, positive at dc; ``loop.to_control()``. None without a loop.

        The exact loop gain, ripple included, is ``response(case, "loop", ...)``.
        """
        return None if self.compensator is None else self.compensator.system().before(self.plant.system)

    def to_dict(self) -> dict[str, Any]:
        """Turn the corner into plain numbers, lists and words, ready for JSON.

        Returns
        -------
        dict
            The keys of a corner in ``check --json``; a margin that does not exist is None.
        """
        return {
            **{name: getattr(self, name) for name in PLAIN},
            "light_load": None if self.light_load is None else self.light_load.to_dict(),
            "largest_multiplier": self.largest_multiplier,
            "worst_mode": self.worst_mode.to_dict(),
            "current_loop_stable": self.current_loop_stable,
            "current_loop_worst_mode": self.current_loop_worst_mode.to_dict(),
            **{name: getattr(self, name) for name in MARGINS},
            "plant_poles_hz": pairs(self.plant_poles_hz),
            "plant_zeros_hz": pairs(self.plant_zeros_hz),
        }


def corner_results(
    conditions: Corners,
    point: OperatingPoint,
    plants: tuple[Plant, ...],
    verdicts: tuple[Verdict, ...],
    margins: tuple[LoopMargins, ...],
    compensator: Compensator | None,
    light_loads: tuple[LightLoad | None, ...] = (),
) -> tuple[CornerResult, ...]:
    """Set the findings of a batch side by side, corner by corner.

    Parameters
    ----------
    conditions : Corners
        Line, load and temperature (B,) [V], [A], [degC].
    point : OperatingPoint
        Open-loop operating points (B,).
    plants, verdicts, margins : tuple
        One per corner; margins are empty without a loop [unitless].
    compensator : Compensator or None
        What closes the loop.
    light_loads : tuple of LightLoad or None
        What was found about corners whose load needs less than a pulse every period; empty where nothing was.

    Returns
    -------
    tuple of CornerResult
        One per corner, in order.
    """
    return tuple(
        CornerResult(
            input_voltage=float(conditions.input_voltage[i]),
            load_current=float(conditions.load_current[i]),
            temperature=float(conditions.temperature[i]),
            mode="DCM" if point.discontinuous[i] else "CCM",
            duty=float(point.duty[i]),
            control_voltage=float(point.trim[i]),
            stable=bool(verdict.stable),
            held=verdict.held,
            regime=verdict.regime,
            light_load=light_loads[i] if light_loads else None,
            largest_multiplier=float(verdict.largest_multiplier),
            worst_mode=verdict.worst_mode,
            current_loop_stable=bool(verdict.current_loop_stable),
            current_loop_worst_mode=verdict.current_loop_worst_mode,
            **_readings(margins[i] if margins else None, verdict.held),
            plant=plants[i],
            compensator=compensator,
        )
        for i, verdict in enumerate(verdicts)
    )


def _readings(margins: LoopMargins | None, held: str | None) -> dict[str, Any]:
    """Headline margins as plain numbers, None where they do not exist, and why."""
    if margins is None:
        return {**dict.fromkeys(MARGINS), "reasons": dict.fromkeys(MARGINS, NO_LOOP)}
    if held is not None:
        return {**dict.fromkeys(MARGINS), "reasons": dict.fromkeys(MARGINS, NOT_HELD)}
    values = {name: number(getattr(margins, name)) for name in MARGINS}
    missing = {name: margins.reasons.get(name, "not finite") for name, value in values.items() if value is None}
    return {**values, "reasons": missing}


def pairs(roots: Iterable[complex]) -> list[list[float]]:
    """Turn complex roots into pairs of real and imaginary part, in the unit of the roots.

    Parameters
    ----------
    roots : iterable of complex
        Roots [Hz].

    Returns
    -------
    list of list of float
        ``[[real, imaginary], ...]`` [Hz].
    """
    return [[float(r.real), float(r.imag)] for r in roots]


def number(value: float | None) -> float | None:
    """Turn what is missing or not finite into None.

    Parameters
    ----------
    value : float or None
        Any number [its own unit].

    Returns
    -------
    float or None
        The number, for JSON knows neither NaN nor infinity.
    """
    return float(value) if value is not None and math.isfinite(value) else None


def corner_name(conditions: Corners, item: int) -> str:
    """Name a corner in a sentence.

    Parameters
    ----------
    conditions : Corners
        Line, load and temperature (B,) [V], [A], [degC].
    item : int
        Which of them, counted from zero [unitless].

    Returns
    -------
    str
        Such as ``8 V, 1.2 A``.
    """
    return f"{conditions.input_voltage[item]:.4g} V, {conditions.load_current[item]:.3g} A"


def point_name(conditions: Corners, item: int, *, temperature: bool) -> str:
    """Name a corner in a sentence, with its temperature where that is wanted.

    Parameters
    ----------
    conditions : Corners
        Line, load and temperature (B,) [V], [A], [degC].
    item : int
        Which of them, counted from zero [unitless].
    temperature : bool
        Whether to name the temperature [unitless].

    Returns
    -------
    str
        Such as ``8 V, 1.2 A, 85 degC``.
    """
    heat = f", {conditions.temperature[item]:.3g} degC" if temperature else ""
    return corner_name(conditions, item) + heat


def instabilities(
    conditions: Corners, verdicts: tuple[Verdict, ...], names: Sequence[str] | None = None
) -> tuple[str, ...]:
    """Say which corners are unstable, and how.

    Parameters
    ----------
    conditions : Corners
        Line, load and temperature (B,) [V], [A], [degC].
    verdicts : tuple of Verdict
        One per corner.
    names : sequence of str, optional
        What each corner is called (B,); line and load unless given.

    Returns
    -------
    tuple of str
        One sentence per corner that is unstable, or whose current loop alone is beyond what a voltage loop can hold.
    """
    told = []
    for item, verdict in enumerate(verdicts):
        place = corner_name(conditions, item) if names is None else names[item]
        if verdict.held is not None:
            continue  # told apart: such a point is neither stable nor unstable
        if not verdict.stable:
            size = abs(verdict.worst_mode.multiplier)
            told.append(
                f"unstable at {place}: {_named(verdict.worst_mode)} grows by {percent(size - 1.0)} per "
                f"switching period (largest multiplier {size:.4f})"
            )
        elif verdict.current_loop_worst_mode.beyond_the_loop:
            told.append(f"the current loop alone is unstable at {place}: {_named(verdict.current_loop_worst_mode)}")
    return tuple(told)


def _named(mode: Mode) -> str:
    return f"{mode.name} at {format_quantity(mode.frequency_hz, 'Hz')}"


def no_crossover(conditions: Corners, margins: Sequence[LoopMargins], verdicts: Sequence[Verdict]) -> tuple[str, ...]:
    """Say at which corners the loop gain crosses one nowhere, and why.

    Parameters
    ----------
    conditions : Corners
        Line, load and temperature (B,) [V], [A], [degC].
    margins, verdicts : tuple of LoopMargins, tuple of Verdict
        One per corner.

    Returns
    -------
    tuple of str
        One sentence per such corner that the controller keeps.
    """
    return tuple(
        f"no crossover at {corner_name(conditions, item)}: {m.reasons.get('crossover_hz', '')}"
        for item, (m, verdict) in enumerate(zip(margins, verdicts, strict=True))
        if m.crossover_hz is None and verdict.held is None
    )
