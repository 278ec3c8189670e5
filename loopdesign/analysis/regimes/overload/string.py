"""A load with a drop that gets longer, or that is shorted piece by piece: drop and resistance in proportion."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.orbit.stepping.knee import LoadKnee

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadString:
    """Strings (B,), one for each converter.

    Attributes
    ----------
    drop, resistance
        Of the whole string (B,) [V], [ohm].
    base
        Measure of the load at which the string is whole (B,): in the unit of the measure.
    lengthens
        Whether a larger measure is a longer string, as where a current is regulated, or a shorter one, as where a
        voltage is.
    """

    drop: NDArray[np.float64]
    resistance: NDArray[np.float64]
    base: NDArray[np.float64]
    lengthens: bool

    def share(self, items: NDArray[np.intp], load: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return how much of each string (S,) [unitless] there is at a measure of the load [A] or [unitless]."""
        ratio = load / self.base[items]
        return ratio if self.lengthens else 1.0 / ratio


def with_string(
    converter: Converter, string: LoadString, items: NDArray[np.intp], load: NDArray[np.float64]
) -> Converter:
    """Put strings of a length in the place of the load.

    Parameters
    ----------
    converter : Converter
        Converters (S,) with a load that has a drop.
    string : LoadString
        Strings (B,).
    items : ndarray (S,)
        Which string each has [unitless].
    load : ndarray (S,)
        Measure of the load [A] or [unitless].

    Returns
    -------
    Converter
        With drop and resistance of that length; where the current is regulated also with the voltage of the string at
        it.
    """
    share = string.share(items, load)
    drop, resistance = share * string.drop[items], share * string.resistance[items]
    there = replace(converter, load_drop=drop, load_resistance=resistance)
    if converter.current_sense is None:
        return there
    return replace(there, output_voltage=drop + resistance * converter.load_current)


def load_point(at: Converter, output: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Tell voltage and current of the load from what the feedback senses.

    Parameters
    ----------
    at : Converter
        Converters (S,) with their loads.
    output : ndarray (S,)
        Average of what the feedback senses [V].

    Returns
    -------
    tuple of ndarray (S,)
        Averages at the load [V], [A].
    """
    drop, resistance = load_line(at)
    if at.current_sense is not None:
        current = output / np.asarray(at.current_sense, float)
    else:
        behind = np.asarray(at.filter_resistance, float) if at.sense == "before" and at.output_filter else 0.0
        current = (output - drop) / (resistance + behind)
    return drop + resistance * current, current


def load_line(at: Converter) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return drop and resistance of each load.

    Parameters
    ----------
    at : Converter
        Converters (S,) with their loads.

    Returns
    -------
    tuple of ndarray (S,)
        Drop [V] and resistance [ohm].
    """
    shape = at.input_voltage.shape
    if at.load != "voltage":
        return np.zeros(shape), np.broadcast_to(at.load_voltage / at.load_current, shape)
    return np.broadcast_to(at.load_drop, shape), np.broadcast_to(at.load_resistance, shape)


def moved_to(at: Converter, output: NDArray[np.float64]) -> Converter:
    """Let the feedback hold what it senses, the loads as they are.

    Parameters
    ----------
    at : Converter
        Converters (S,) with their loads.
    output : ndarray (S,)
        Average of what the feedback senses [V].

    Returns
    -------
    Converter
        Whose regulated level is that.
    """
    voltage, current = load_point(at, output)
    level = voltage if at.current_sense is not None else output
    return replace(at, output_voltage=level, load_current=current)


def string_knee(one: Converter) -> LoadKnee | None:
    """Return the knee of a load with a drop, below which it draws nothing.

    Parameters
    ----------
    one : Converter
        A batch of one.

    Returns
    -------
    LoadKnee or None
        None for a resistor or a drop that is not positive.
    """
    drop = float(np.ravel(one.load_drop)[0]) if one.load == "voltage" else 0.0
    return LoadKnee(threshold=drop, removed=frozenset({"load_resistance"})) if drop > 0.0 else None
