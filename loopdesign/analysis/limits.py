"""The one rule for what fails: the limits of a design, each with its source, and by how much readings miss them.

Readings come as arrays of any one shape (corners, samples or candidates times corners), NaN where a loop has none.

* A margin below its limit fails. A margin that does not exist cannot be used up: a loop that never crosses -180 degrees
  passes any gain margin, and a loop without a crossover fails by its crossover, not a second time by its phase margin.
* A crossover above the crossover limit fails, and so does a loop without a crossover.
* A converter that is unstable fails, whatever its margins read.

A miss is relative to its limit: zero or less where the limit holds, 0.1 where a reading is a tenth beyond it.

The crossover limit of a case is one number for check, design and spread alike: a tenth of the switching frequency or a
quarter of the lowest right-half-plane zero, whichever is lower. The zero is that of nominal parts, the lowest over
every input voltage, load current and temperature of the case. Tolerances of the inductors move it in proportion, for
which the factor of four leaves room (common practice).
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.findings.nominal import nominal_plants
from loopdesign.units.quantities import format_quantity, hertz

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.findings.nominal import PlantsAtConditions
    from loopdesign.analysis.readings import LoopFigures, Readings

    Array = NDArray[np.float64]


CASE_FILE = "case file"
DEFAULT = "default (common practice)"
UNSTABLE = 10.0
"""Miss of an unstable converter, to which the size of its largest multiplier is added: more than any margin's."""
LARGEST = 1e6
"""Multiplier from which one is as bad as another [unitless]."""
NOTHING_TO_USE_UP = -1.0
"""Miss of a margin that does not exist."""
HARDLY = 1e-3
"""Share of the crossover limit below which a loop hardly regulates."""
NO_CROSSOVER = 1.0
"""Miss of a crossover that does not exist."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """One limit of the design.

    Attributes
    ----------
    name
        Key in the table [targets] of the case file.
    words
        What a person calls it.
    reading
        Name of the reading it is held against.
    value, unit
        The limit, in the unit of that reading.
    source
        Where it comes from.
    is_highest
        True where a reading must not exceed it, False where it must not fall below.
    """

    name: str
    words: str
    reading: str
    value: float
    unit: str
    source: str
    is_highest: bool = False

    def miss(self, readings: LoopFigures) -> Array:
        """Return by how much readings miss this limit.

        Parameters
        ----------
        readings : LoopFigures
            Arrays of one shape.

        Returns
        -------
        ndarray
            Relative to the limit, of the same shape: above zero where it fails, zero or less where it holds
            [unitless]. A limit of zero counts in the unit of the reading.
        """
        value = np.asarray(getattr(readings, self.reading), dtype=np.float64)
        beyond = value - self.value if self.is_highest else self.value - value
        absent = NO_CROSSOVER if self.reading == "crossover_hz" else NOTHING_TO_USE_UP
        return np.where(np.isnan(value), absent, beyond / (self.value or 1.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """Every limit of a design, in the order they are shown; iterable.

    Attributes
    ----------
    rows
        One per limit that the loop gain is held against.
    step_deviation
        The largest departure at the load step, which is stepped in time; None where the case asks for none.
    output_ripple
        The largest ripple of the output, peak to peak, which no part of the compensation changes; None where the case
        asks for none.
    """

    rows: tuple[Limit, ...]
    step_deviation: Limit | None = None
    output_ripple: Limit | None = None

    def __iter__(self) -> Iterator[Limit]:
        """Go through all of them."""
        return iter((*self.rows, *(x for x in (self.step_deviation, self.output_ripple) if x is not None)))

    def __getitem__(self, name: str) -> Limit:
        """Return the limit of a name.

        Raises
        ------
        KeyError
            Where the design has no such limit; names the nearest.
        """
        for row in self:
            if row.name == name:
                return row
        known = [row.name for row in self]
        near = difflib.get_close_matches(name, known) or known
        raise KeyError(f"no limit is called {name!r}; expected {' or '.join(near)}")

    def value(self, name: str) -> float:
        """Return the value of one limit, in the unit of its reading; raises KeyError where there is none."""
        return self[name].value

    @property
    def crossover_limit_hz(self) -> float:
        """Lowest of the limits that a crossover must not exceed [Hz]."""
        return min(x.value for x in self.rows if x.reading == "crossover_hz" and x.is_highest)

    @property
    def crossover_min_hz(self) -> float:
        """Highest of the limits that a crossover must not fall below, 0 where there is none [Hz]."""
        return max((x.value for x in self.rows if x.reading == "crossover_hz" and not x.is_highest), default=0.0)

    def misses(self, readings: LoopFigures) -> dict[str, Array]:
        """Return by how much readings miss each limit, by its name; see `Limit.miss`."""
        return {row.name: row.miss(readings) for row in self.rows}

    def shortfall(self, readings: Readings) -> Array:
        """Return the largest miss of any limit, above zero where a limit or the verdict fails.

        Parameters
        ----------
        readings : Readings
            Arrays of one shape.

        Returns
        -------
        ndarray
            Of the same shape [unitless]; an unstable converter counts more than any margin, the more the faster it
            grows.
        """
        worst = np.max([row.miss(readings) for row in self.rows], axis=0)
        multiplier = np.minimum(readings.largest_multiplier, LARGEST)
        return np.asarray(np.where(readings.stable, worst, UNSTABLE + multiplier))

    def met(self, readings: Readings) -> NDArray[np.bool_]:
        """Return where every limit and the verdict hold, an array of the readings' shape."""
        return self.shortfall(readings) <= 0.0


def limits_of(case: cases.Case, stage: PlantsAtConditions | None = None) -> Limits:
    """Collect the limits of a case, each with where it comes from.

    Parameters
    ----------
    case : Case
        The case.
    stage : PlantsAtConditions, optional
        The power stage, where it is already examined; used if it covers every line, load and temperature of the case
        with nominal parts.

    Returns
    -------
    Limits
        Margins, crossover limit, and those of the optional targets that the case file gives.

    Raises
    ------
    UnreachableOutputError, ConvergenceError
        Where the crossover limit follows from the power stage and no operating point can be found.
    """
    t = case.targets

    def margin(name: str, reading: str, value: float, unit: str) -> Limit:
        source = CASE_FILE if name in t.given else DEFAULT
        return Limit(name=name, words=name.replace("_", " "), reading=reading, value=value, unit=unit, source=source)

    rows = [
        margin("phase_margin", "phase_margin_deg", t.phase_margin, "deg"),
        margin("gain_margin", "gain_margin_db", t.gain_margin, "dB"),
        margin("modulus_margin", "modulus_margin", t.modulus_margin, ""),
        _crossover_limit(case, stage),
    ]
    if t.crossover is not None:
        rows.append(_crossover("crossover", "crossover asked for", t.crossover, CASE_FILE))
    lowest = t.crossover_min
    if lowest is not None:
        rows.append(_crossover("crossover_min", "lowest crossover", lowest, CASE_FILE, is_highest=False))
    return Limits(
        rows=tuple(rows), step_deviation=_volts("step_deviation", t.step_deviation),
        output_ripple=_volts("output_ripple", t.output_ripple),
    )  # fmt: skip


def missed_limits(limits: Limits, readings: LoopFigures, names: Sequence[str]) -> tuple[str, ...]:
    """Say which limits fail, and where each fails worst.

    Parameters
    ----------
    limits : Limits
        Limits of the design.
    readings : LoopFigures
        Arrays (B,).
    names : sequence of str
        What each item is called in a sentence: "8 V, 1.2 A".

    Returns
    -------
    tuple of str
        One sentence per limit that fails. Items without the reading are passed over: their own sentence says why there
        is none.
    """
    told = []
    for row in limits.rows:
        value = np.asarray(getattr(readings, row.reading), dtype=np.float64)
        miss = np.where(np.isnan(value), -np.inf, row.miss(readings))
        if miss.max(initial=0.0) > 0.0:
            worst = int(np.argmax(miss))
            side, words = ("above" if row.is_highest else "below"), row.words
            if row.reading == "crossover_hz":
                words = "crossover"
            reached, asked = _told_apart(float(value[worst]), row.value, row.unit)
            told.append(f"{words} {reached} at {names[worst]} is {side} {asked}")
    return tuple(told)


def conflicts(case: cases.Case, limits: Limits) -> tuple[str, ...]:
    """Tell of a crossover asked for, or a lowest one, above the crossover limit: no loop can meet both.

    Parameters
    ----------
    case : Case
        The case.
    limits : Limits
        Its limits.

    Returns
    -------
    tuple of str
        One sentence for each.
    """
    limit = limits["crossover_limit"]
    asked = {key: getattr(case.targets, key) for key in ("crossover", "crossover_min")}
    return tuple(
        f"targets.{key} asks for {hertz(value)}, above the crossover limit of {hertz(limit.value)}"
        for key, value in asked.items()
        if value is not None and value > limit.value
    )


def hardly_regulated(limits: Limits, crossover_hz: Array) -> tuple[str, ...]:
    """Warn about a loop that meets every limit only because it has almost no gain.

    Parameters
    ----------
    limits : Limits
        Limits of the design.
    crossover_hz : ndarray
        Crossover (B,) of every corner, NaN where there is none [Hz].

    Returns
    -------
    tuple of str
        One sentence where every corner crosses below a thousandth of the crossover limit, which hardly regulates.
    """
    if not len(crossover_hz) or np.isnan(crossover_hz).any():
        return ()
    highest, limit = float(np.max(crossover_hz)), limits.crossover_limit_hz
    if highest >= HARDLY * limit:
        return ()
    told = (
        f"compensation: the loop crosses over at {format_quantity(highest, 'Hz')} at most, less than a thousandth of "
        "the "
        f"{format_quantity(limit, 'Hz')} allowed: it has every margin but hardly regulates; check the "
        "prefixes of the compensation parts"
    )
    return (told,)


def _told_apart(value: float, limit: float, unit: str) -> tuple[str, str]:
    """Write a reading and its limit with as many digits, three at least, as tell them apart."""

    def written(x: float, digits: int) -> str:
        return format_quantity(x, unit, digits) if unit == "Hz" else f"{x:.{digits}g} {unit}".rstrip()

    digits = next((d for d in range(3, 12) if written(value, d) != written(limit, d)), 12)
    return written(value, digits), written(limit, digits)


def _volts(name: str, value: float | None) -> Limit | None:
    """Return the limit of a voltage that must not be exceeded; None where there is none."""
    if value is None:
        return None
    words, reading = name.replace("_", " "), f"{name}_v"
    return Limit(name=name, words=words, reading=reading, value=value, unit="V", source=CASE_FILE, is_highest=True)


def _crossover(name: str, words: str, value: float, source: str, *, is_highest: bool = True) -> Limit:
    return Limit(
        name=name, words=words, reading="crossover_hz", value=value, unit="Hz", source=source, is_highest=is_highest
    )


def _crossover_limit(case: cases.Case, stage: PlantsAtConditions | None) -> Limit:
    """Return the crossover limit of the case file, or the one that common practice gives."""
    name, words, given = "crossover_limit", "crossover limit", case.targets.crossover_limit
    if given is not None:
        return _crossover(name, words, given, CASE_FILE)
    tenth = case.converter.switching_frequency / 10.0
    zeros = [p.right_half_plane_zero_hz for p in nominal_plants(case, stage)]
    quarter = min((z / 4.0 for z in zeros if z is not None), default=np.inf)
    source = "a tenth of the switching frequency (common practice)"
    if quarter < tenth:
        zero = format_quantity(4.0 * quarter, "Hz")
        source = f"a quarter of the lowest right-half-plane zero or zero pair, {zero} (common practice)"
    return _crossover(name, words, float(min(tenth, quarter)), source)
