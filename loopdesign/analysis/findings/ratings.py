"""What the parts carry at every corner against their ratings, less the derating asked for.

Voltages and the currents of switch, diode and inductors are peaks of the periodic operating point; an inductor's is
held against its saturation current. Currents of capacitors are rms, of one part where several equal ones lie in
parallel. Ringing of parasitics, such as a transformer's leakage, is in none of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.corners.power_stage import bank_names, capacitors, rated_elements, sensed_element
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.orbit.waveforms import WaveformFigures, Waveforms

_PEAKS = ("switch", "diode", "L1", "L2")
"""Parts whose peaks are rated."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stress:
    """One rating of one part, and what the part carries.

    Attributes
    ----------
    name
        Key in [ratings]: ``switch_voltage``; or ``current_limit``, the sensed peak against the controller's own limit.
    part
        Designator, that of one capacitor of a bank where the bank has several.
    unit
        Unit of all values.
    rating, allowed
        As rated, and less the derating.
    reached
        (B,) what the part carries at each corner.
    """

    name: str
    part: str
    unit: str
    rating: float
    allowed: float
    reached: NDArray[np.float64]

    @property
    def met(self) -> bool:
        """Whether the part carries no more than allowed at any corner."""
        return bool(self.reached.max() <= self.allowed)


def stresses(case: cases.Case, waves: Waveforms) -> tuple[Stress, ...]:
    """Hold the parts against their ratings.

    Parameters
    ----------
    case : Case
        The case, with any of its ratings given.
    waves : Waveforms
        One period of every current and voltage at each corner (B,).

    Returns
    -------
    tuple of Stress
        One for each rating given, and for each capacitor of a bank, in the order of the case file.
    """
    figures = {figure.name: figure for figure in waves.figures()}
    ratings = case.ratings
    found = []
    for name, rating in (*_given(case), *rated_elements(case)):
        part, _, quantity = name.rpartition("_")
        for designator, reached in _carried(case, figures, part, quantity):
            found.append(
                Stress(
                    name=name, part=designator, unit="V" if quantity == "voltage" else "A", rating=rating,
                    allowed=rating * (1.0 - ratings.derating), reached=reached,
                )
            )  # fmt: skip
    return (*found, *_sensed_peak(case, figures))


def _sensed_peak(case: cases.Case, figures: dict[str, WaveformFigures]) -> list[Stress]:
    """Hold the sensed peak current, at the upper end of the sense gain, against the current limit at its lower end."""
    m = case.modulator
    if m.scheme != "peak current" or m.current_limit is None:
        return []
    gain = m.sense_gain * (1.0 + m.sense_gain_tolerance.high)
    return [
        Stress(
            name="current_limit", part="sensed peak", unit="V", rating=m.current_limit,
            allowed=m.current_limit * (1.0 + m.current_limit_tolerance.low),
            reached=gain * _largest(figures[f"i({sensed_element(case)})"]),
        )
    ]  # fmt: skip


def overstressed(found: Sequence[Stress], names: Sequence[str]) -> tuple[str, ...]:
    """Say which ratings are exceeded, and where each is exceeded most.

    Parameters
    ----------
    found : sequence of Stress
        What the parts carry.
    names : sequence of str
        What each corner is called in a sentence: "8 V, 1.2 A".

    Returns
    -------
    tuple of str
        One sentence per rating that is exceeded.
    """
    told = []
    for stress in found:
        if stress.met:
            continue
        worst = int(np.argmax(stress.reached))
        reached, allowed = (format_quantity(x, stress.unit) for x in (float(stress.reached[worst]), stress.allowed))
        less = (
            "" if stress.allowed == stress.rating else f", {format_quantity(stress.rating, stress.unit)} less derating"
        )
        if stress.name == "current_limit":
            told.append(
                f"the sensed peak of {reached} at {names[worst]}, sense gain at its upper end, is above {allowed}, the "
                "lower end of modulator.current_limit"
            )
            continue
        carried = f"{stress.part} {stress.name.partition('_')[2]} {reached}"
        told.append(f"{carried} at {names[worst]} is above {allowed} (ratings.{stress.name}{less})")
    return tuple(told)


def has_ratings(case: cases.Case) -> bool:
    """Whether the case rates any of its parts.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    bool
        By the table [ratings], or in an element of a stage of the user's own.
    """
    return bool(_given(case) or rated_elements(case))


def allowed_currents(case: cases.Case) -> dict[str, float]:
    """List the peak currents that parts are rated for, less the derating.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    dict of str to float
        By designator of inductor, switch or rectifier [A]; those that have no rating are left out.
    """
    rms = capacitors(case)
    found = {}
    for name, rating in (*_given(case), *rated_elements(case)):
        part, _, quantity = name.rpartition("_")
        if quantity == "current" and part not in rms and part not in {"Cs", "Co"}:
            found[part] = rating * (1.0 - case.ratings.derating)
    return found


def limited_current(case: cases.Case) -> dict[str, float]:
    """Return the current at which the controller's current limit ends a pulse, by the part that is sensed.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    dict of str to float
        One entry [A]; none without a current limit.
    """
    m = case.modulator
    if m.scheme != "peak current" or m.current_limit is None:
        return {}
    return {sensed_element(case): m.current_limit / m.sense_gain}


def _given(case: cases.Case) -> list[tuple[str, float]]:
    """List the ratings that the case file gives in their own table."""
    found = ((name, getattr(case.ratings, name)) for name in type(case.ratings).model_fields if name != "derating")
    return [(name, rating) for name, rating in found if rating is not None]


def _carried(
    case: cases.Case, figures: dict[str, WaveformFigures], part: str, quantity: str
) -> list[tuple[str, NDArray[np.float64]]]:
    """Return what a part carries at each corner (B,), one entry for each capacitor of a bank."""
    letter = "v" if quantity == "voltage" else "i"
    if part in _PEAKS or (part not in capacitors(case) and f"{letter}({part})" in figures):
        return [(part, _largest(figures[f"{letter}({part})"]))]
    found = []
    for name, capacitor in capacitors(case).items():
        if name == part or (part == "Co" and name.startswith("Co") and name[2:].isdigit() and name in bank_names(case)):
            figure = figures[f"{letter}({name})"]
            found.append((name, _largest(figure) if letter == "v" else figure.rms / capacitor.count))
    return found


def _largest(figure: WaveformFigures) -> NDArray[np.float64]:
    """Return the largest size (B,) of a waveform, whatever its sign."""
    return np.maximum(np.abs(figure.peak), np.abs(figure.valley))
