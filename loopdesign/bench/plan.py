"""What to measure on the bench: at which corners and frequencies, what to expect there, and how much to inject.

A voltage injected between the output and what senses it reads ``Tv = T (1 + Zo/Zi) + Zo/Zi``, with Zo the impedance
looking back from the point of injection and Zi the impedance looking forward: R. D. Middlebrook, "Measurement of loop
gain in feedback systems", 1975 (from memory). The reading is off by the share ``(Zo/Zi)(1 + 1/T)``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign import case as cases
from loopdesign.analysis.curves import compensator
from loopdesign.corners.converters import divider, network_parts
from loopdesign.corners.trouble import names_file
from loopdesign.models.switched import loop_gain, output_impedance

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.check import CheckResult

POINTS = 12
"""Frequencies of a plan."""
BELOW, ABOVE = 1.0 / 30.0, 12.0
"""First and last frequency on the crossovers between which they lie; the last stays below the switching frequency."""
HIGHEST_SHARE = 0.3
"""Highest frequency of a plan on the switching frequency."""
MOST_CORNERS = 3
"""Corners of a plan at most."""
MOVED = 0.05
"""Share of the control voltage that an injection may move it by (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchPlan:
    """Predicted readings of a loop measurement, and what spoils them.

    Attributes
    ----------
    corners
        Which corners to measure, and why: numbers of the check's corners with a word each.
    frequencies_hz
        (F,) [Hz].
    loop
        (k,F) predicted loop gain [unitless].
    impedance_ratio
        (k,F) impedance looking back over impedance looking forward at the point of injection [unitless]; zero where
        nothing is loaded.
    error
        (k,F) share by which the reading is off for it [unitless].
    most_injected_v
        (k,) amplitude at which the control voltage moves by `MOVED` of its value, where it moves most [V].
    most_injected_hz
        (k,) that frequency [Hz].
    """

    corners: tuple[tuple[int, str], ...]
    frequencies_hz: NDArray[np.float64]
    loop: NDArray[np.complex128]
    impedance_ratio: NDArray[np.float64]
    error: NDArray[np.float64]
    most_injected_v: NDArray[np.float64]
    most_injected_hz: NDArray[np.float64]


@names_file("no bench plan")
def bench_plan(examined: CheckResult) -> BenchPlan | None:
    """Plan the measurement of the loop at the corners that matter most.

    Parameters
    ----------
    examined : CheckResult
        A check.

    Returns
    -------
    BenchPlan or None
        None where there is no loop, or none of its stable corners crosses over: an oscillating converter has no loop
        gain to measure.
    """
    corners = planned_corners(examined)
    if examined.closed_loop is None or not corners:
        return None
    items = np.array([item for item, _ in corners])
    f = planned_frequencies(examined, items)
    grid = np.broadcast_to(f, (len(examined.conditions), POINTS))
    T = loop_gain(examined.closed_loop, grid)[items]
    ratio = _looking_back(examined, grid)[items] / _looking_forward(examined, f)
    moved = np.abs(compensator(examined, grid)[items] / (1.0 + T))
    highest = np.argmax(moved, axis=1)
    control = np.abs(np.asarray(examined.stage.point.trim))[items]
    return BenchPlan(
        corners=corners,
        frequencies_hz=f,
        loop=T,
        impedance_ratio=np.abs(ratio),
        error=np.abs(ratio * (1.0 + 1.0 / T)),
        most_injected_v=MOVED * control / np.max(moved, axis=1),
        most_injected_hz=f[highest],
    )


def planned_corners(examined: CheckResult) -> tuple[tuple[int, str], ...]:
    """Choose the corners to measure: least phase margin, highest and lowest crossover.

    Parameters
    ----------
    examined : CheckResult
        A check.

    Returns
    -------
    tuple of (int, str)
        Numbers of stable corners that cross over, each with what it is chosen for.
    """
    usable = [i for i, m in enumerate(examined.margins) if examined.verdicts[i].stable and m.crossover_hz is not None]
    if not usable:
        return ()
    crossover = {i: examined.margins[i].crossover_hz or 0.0 for i in usable}
    read = {i: examined.margins[i].phase_margin_deg for i in usable}
    margin = {i: 180.0 if value is None else value for i, value in read.items()}
    chosen: dict[int, list[str]] = {}
    for word, item in (
        ("least phase margin", min(usable, key=margin.__getitem__)),
        ("highest crossover", max(usable, key=crossover.__getitem__)),
        ("lowest crossover", min(usable, key=crossover.__getitem__)),
    ):
        chosen.setdefault(item, []).append(word)
    return tuple((item, ", ".join(words)) for item, words in chosen.items())[:MOST_CORNERS]


def planned_frequencies(examined: CheckResult, items: NDArray[np.intp]) -> NDArray[np.float64]:
    """Lay the frequencies of a plan around the crossovers of its corners.

    Parameters
    ----------
    examined : CheckResult
        A check.
    items : ndarray of int
        Corners that cross over [unitless].

    Returns
    -------
    ndarray (F,)
        Even steps on a logarithmic scale, two significant digits each [Hz].
    """
    crossovers = [examined.margins[int(i)].crossover_hz or 0.0 for i in items]
    switching = examined.case.converter.switching_frequency
    low, high = BELOW * min(crossovers), min(ABOVE * max(crossovers), HIGHEST_SHARE * switching)
    return np.array([float(f"{f:.1e}") for f in np.geomspace(low, high, POINTS)])


def _looking_back(examined: CheckResult, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Impedance of what is sensed (B,F) [ohm]: the output with the control voltage held, or the sense resistor."""
    sense = examined.case.current_sense
    if sense is not None:
        return np.full(frequencies_hz.shape, sense.resistance, complex)
    return output_impedance(examined.stage.model, frequencies_hz)


def _looking_forward(examined: CheckResult, frequencies_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Impedance of divider and amplifier (F,) [ohm]; infinite where the amplifier takes no current.

    An operational amplifier holds the node behind the upper resistor; where the output feeds the light source of an
    optocoupler, its current is driven by the output and by the regulator's answer to it.
    """
    case, s = examined.case, np.asarray(2j * np.pi * frequencies_hz, complex)
    given = case.error_amplifier
    if case.current_sense is not None and not case.current_sense.input_resistance:
        return np.full(frequencies_hz.shape, np.inf, complex)
    parts, d = network_parts(case, examined.parts), divider(case)
    lead = _series(np.asarray(parts.R2), np.asarray(parts.C3), s)
    upper = 1.0 / (1.0 / np.asarray(d.upper) + s * np.asarray(d.feedforward) + lead)
    if isinstance(given, cases.TransconductanceSection):
        return upper + 1.0 / (1.0 / np.asarray(d.lower) if np.isfinite(d.lower) else 0.0)
    entering = 1.0 / upper
    if isinstance(given, cases.ShuntOptocouplerSection) and given.led_supply is None:
        network = s * np.asarray(parts.C2) + _series(np.asarray(parts.R1), np.asarray(parts.C1), s)
        held = 1.0 / (10.0 ** (given.dc_gain / 20.0) * upper)  # the finite gain bounds the regulator's answer
        entering = entering + (1.0 + 1.0 / (upper * network + upper * held)) / given.led_resistance
    return np.asarray(1.0 / entering)


def _series(
    resistance: NDArray[np.float64], capacitance: NDArray[np.float64], s: NDArray[np.complex128]
) -> NDArray[np.complex128]:
    """Admittance of a resistor in series with a capacitor (F,) [S]; zero where the capacitor is not fitted."""
    return np.asarray(s * capacitance / (1.0 + s * capacitance * resistance))
