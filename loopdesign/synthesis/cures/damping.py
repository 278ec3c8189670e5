"""Cures for a current loop that is unstable by itself: a damper across the coupling capacitor, and the slope."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import NumericalError
from loopdesign.models.switched import SwitchedModel, linearise
from loopdesign.models.verdict import GROUPS, worst_modes
from loopdesign.network.batch import take
from loopdesign.network.topologies.base import DamperValue
from loopdesign.orbit.operating_point import operating_point
from loopdesign.units.preferred import between
from loopdesign.units.quantities import hertz

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.orbit.problem import OperatingPoint

SMALLEST_RATIO = 4.0
"""Damper capacitance over coupling capacitance, at least (common practice; Erickson and Maksimovic 2020 use ten)."""
LARGEST_RATIO = 12.0
RESISTANCE_SPAN = 4.0
"""Resistances are tried from a quarter to four times the resonance's characteristic impedance."""
ENOUGH_DAMPING = 0.15
"""Damping ratio from which a larger damper capacitor is not worth its place [unitless]."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DamperProposal:
    """Damper across the coupling capacitor.

    Attributes
    ----------
    resistance, capacitance
        [ohm], [F].
    characteristic_impedance
        Of the resonance it damps [ohm].
    damping_ratio
        Of the resonance at its worst corner with the damper [unitless].
    stable
        Whether the current loop alone is then stable at every corner.
    """

    resistance: float
    capacitance: float
    characteristic_impedance: float
    damping_ratio: float
    stable: bool


def loop_inductance(stage: ExaminedStage) -> float:
    """Inductance [H] the coupling capacitor resonates with: ``L1 + L2 - 2 M``."""
    values = stage.converter.stage
    if values.L2 is None:
        raise ValueError("the stage has one inductor and no coupling capacitor")
    first, second = (float(np.mean(x.inductance)) for x in (values.L1, values.L2))
    mutual = float(np.mean(values.coupling)) * np.sqrt(first * second)
    return first + second - 2.0 * mutual


def propose_damper(stage: ExaminedStage) -> DamperProposal:
    """Choose a damper numerically for the best damping over all corners.

    Every resistance of the E12 series within a factor of four of the characteristic impedance is tried with the
    smallest E6 capacitor of at least four times the coupling capacitor, then with larger ones until the resonance is
    damped at every corner.

    Parameters
    ----------
    stage
        Power stage with a coupling capacitor, examined without the damper.

    Returns
    -------
    DamperProposal
        The best found, whether or not it makes the current loop stable.
    """
    coupling = stage.converter.stage.Cs
    if coupling is None:
        raise ValueError("the topology has no coupling capacitor")
    largest, smallest = (float(f(coupling.capacitance)) for f in (np.max, np.min))
    impedance = float(np.sqrt(loop_inductance(stage) / smallest))
    resistances = between("E12", impedance / RESISTANCE_SPAN, impedance * RESISTANCE_SPAN)
    capacitances = between("E6", SMALLEST_RATIO * largest, LARGEST_RATIO * largest)
    best: DamperProposal | None = None
    for capacitance in capacitances:
        damping, stable = _damping(stage, resistances, float(capacitance))
        k = int(np.argmax(damping + stable))
        proposal = DamperProposal(
            resistance=float(resistances[k]),
            capacitance=float(capacitance),
            characteristic_impedance=impedance,
            damping_ratio=float(damping[k]),
            stable=bool(stable[k]),
        )
        if best is None or (proposal.stable, proposal.damping_ratio) > (best.stable, best.damping_ratio):
            best = proposal
        if best.stable and best.damping_ratio >= ENOUGH_DAMPING:
            break
    if best is None:
        raise NumericalError("no damper is tried: no preferred value lies in its range")
    return best


def _damping(
    stage: ExaminedStage, resistances: NDArray[np.float64], capacitance: float
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Worst damping ratio of the coupling resonance over the corners, and stability, per resistance, in one batch."""
    corners, trials = len(stage.conditions), len(resistances)
    tiled = np.tile(np.arange(corners), trials)
    damper = DamperValue(resistance=np.repeat(resistances, corners), capacitance=capacitance)
    converter = take(stage.converter, tiled, corners)
    converter = replace(converter, stage=replace(converter.stage, damper=damper))
    model = linearise(operating_point(converter, stage.point.sequence.take(tiled)))
    damping = resonance_damping(model).reshape(trials, corners).min(axis=1)
    stable = (np.abs(model.multipliers).max(axis=1) < 1.0).reshape(trials, corners).all(axis=1)
    return damping, stable


def resonance_damping(model: SwitchedModel) -> NDArray[np.float64]:
    """Smallest damping ratio (B,) of any oscillating mode in which the coupling capacitor takes part; 1 without one."""
    states = model.point.network.states
    rows = [i for i, s in enumerate(states) if s in GROUPS["coupling resonance"]]
    modes = model.period_modes
    share = np.abs(modes.vectors * modes.inverse.transpose(0, 2, 1))
    share = share / share.sum(axis=1, keepdims=True)
    part = share[:, rows].sum(axis=1)
    decay, turn = -np.log(np.maximum(np.abs(modes.values), 1e-300)), np.abs(np.angle(modes.values))
    ratio = decay / np.maximum(np.hypot(decay, turn), 1e-300)
    return np.where((part > 0.2) & (turn > 1e-6), ratio, 1.0).min(axis=1)


@dataclass(frozen=True, slots=True, kw_only=True)
class SlopeChoice:
    """Compensating ramp: its slope [V/s], and per corner the Q of the pair at half the switching frequency."""

    slope: float
    sensed_fall: NDArray[np.float64]
    quality: NDArray[np.float64]


def sensed_slopes(point: OperatingPoint) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Sensed on-slope Sn and off-slope Sf (B,) [V/s] at each corner, at the edge where the switch opens."""
    th = point.problem.threshold
    rates = []
    for c, sign in zip(point.network.configurations[:2], (1.0, -1.0), strict=True):
        flow = np.einsum("bij,bj->bi", c.A, point.at_duty) + np.einsum("bij,bj->bi", c.B, point.inputs)
        rates.append(sign * np.einsum("bi,bi->b", th.sensed_state, flow) / point.network.period)
    return rates[0], rates[1]


def half_frequency_quality(
    duty: NDArray[np.float64], on_slope: NDArray[np.float64], slope: float | NDArray[np.float64]
) -> NDArray[np.float64]:
    """Q of the pair at half the switching frequency: ``1 / (pi (mc D' - 1/2))`` with ``mc = 1 + Se/Sn``.

    Source: R. B. Ridley, IEEE Trans. Power Electronics 6(2), 1991 (from memory). Infinite or negative means that the
    current loop alone oscillates at half the switching frequency.
    """
    damping = (1.0 + slope / on_slope) * (1.0 - duty) - 0.5
    with np.errstate(divide="ignore"):
        return 1.0 / (np.pi * damping)


def choose_slope(point: OperatingPoint, largest_quality: float = 1.0) -> SlopeChoice:
    """Choose the smallest E12 slope that damps the half-frequency pair to a given Q at every continuous corner."""
    on, off = sensed_slopes(point)
    duty = point.duty
    continuous = ~point.discontinuous
    needed = on * ((0.5 + 1.0 / (np.pi * largest_quality)) / (1.0 - duty) - 1.0)
    wanted = float(np.max(np.where(continuous, needed, 0.0)))
    floor = 0.1 * float(np.max(off))  # some ramp against noise, common practice
    grid = between("E12", 0.8 * max(wanted, floor), 1.6 * max(wanted, floor))
    slope = float(grid[grid >= max(wanted, floor) * 0.999][0])
    return SlopeChoice(slope=slope, sensed_fall=off, quality=half_frequency_quality(duty, on, slope))


def diagnose(stage: ExaminedStage) -> tuple[str, ...]:
    """Say at which corners the current loop alone is unstable, and by what."""
    told = []
    for item, mode in enumerate(worst_modes(stage.model)):
        if mode.beyond_the_loop:
            told.append(
                f"at {stage.conditions.input_voltage[item]:.4g} V, {stage.conditions.load_current[item]:.3g} A "
                f"the current loop alone is unstable: {mode.name} at {hertz(mode.frequency_hz)}"
            )
    return tuple(told)
