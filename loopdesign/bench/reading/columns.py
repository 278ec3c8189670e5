"""Which column of a table is what: by its headings, their units, and by the values themselves."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.bench.reading.by_values import both_fade, counts_rows, kinds_of_size, read_as_polar
from loopdesign.bench.reading.headings import Heading, heading_of, is_unit, roles_in_order
from loopdesign.bench.reading.layout import SEPARATORS, cells_of, is_comment, number_of
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.bench.reading.headings import Role
    from loopdesign.bench.reading.layout import Layout

HEADING_LINES = 40
"""Lines above the numbers among which the heading is looked for."""
_AMBIGUOUS = (
    "which column is which cannot be told; name the columns in a first line, such as "
    "'Frequency (Hz), Gain (dB), Phase (deg)', or say which they are: --columns 1,2,3 --values 'dB and degrees'"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Where frequency and values stand, and in which units.

    Attributes
    ----------
    frequency, first, second : int
        Columns of the frequency, of gain or real part, of phase or imaginary part, counted from 0 [unitless].
    frequency_unit : str
        Unit of the frequency.
    hertz : float
        Hertz in one unit of the frequency [Hz].
    values : tuple of str
        ``dB and degrees``, ``magnitude and degrees``, ``real and imaginary``, or the same with radians: the likeliest,
        then what headings and values leave open as well.
    stated : bool
        Whether the heading gives the unit of the frequency [unitless].
    scale : float
        Ohm in one unit of an impedance [ohm].
    """

    frequency: int
    first: int
    second: int
    frequency_unit: str
    hertz: float
    values: tuple[str, ...]
    stated: bool
    scale: float = 1.0


def ambiguous(name: str) -> DataError:
    """Return the error of a table whose columns cannot be told apart.

    Parameters
    ----------
    name : str
        Name of the file.

    Returns
    -------
    DataError
        What would be right.
    """
    return DataError(f"{name}: {_AMBIGUOUS}")


def find_columns(headings: list[Heading], sample: NDArray[np.float64], name: str) -> Columns:
    """Find the columns of frequency and values.

    Parameters
    ----------
    headings : list of Heading
        What stands above each column.
    sample : ndarray (N, W)
        Some rows of numbers, NaN where a cell holds none; any unit.
    name : str
        Name of the file, for messages.

    Returns
    -------
    Columns
        What was found.

    Raises
    ------
    DataError
        Where it cannot be told.
    """
    frequency = _first(headings, "frequency")
    if frequency is None:
        frequency = _frequency_by_values(headings, sample)
    pair = None if frequency is None else _pair(headings, frequency, sample)
    if frequency is None or pair is None:
        raise ambiguous(name)
    first, second, values = pair
    said = headings[frequency]
    return Columns(
        frequency=frequency,
        first=first,
        second=second,
        frequency_unit=said.unit or "Hz",
        hertz=said.scale if said.unit else 1.0,
        values=values,
        stated=bool(said.unit),
        scale=headings[first].scale,
    )


def find_headings(lines: list[str], layout: Layout, sample: NDArray[np.float64]) -> tuple[list[Heading], int | None]:
    """Find the line that names the columns, with a line of units beside it.

    Parameters
    ----------
    lines : list of str
        Lines of the file.
    layout : Layout
        How the table is written.
    sample : ndarray (N, W)
        Some rows of numbers, NaN where a cell holds none.

    Returns
    -------
    tuple of list of Heading and int or None
        One heading per column, empty where nothing names it, and the line they stand in; a line within the first rows
        of numbers counts as well, for what stands above it are settings.
    """
    begin = max(0, layout.first - HEADING_LINES)
    rows = [(k, _fitted(lines[k], layout, sample)) for k in range(layout.first - 1, begin - 1, -1) if lines[k].strip()]
    within = range(layout.first, min(layout.first + 60, layout.last))
    later = [(k, _fitted(lines[k], layout, sample)) for k in within if not lines[k][:1].isdigit()]
    fitting = [(k, cells) for k, cells in reversed(rows) if cells is not None]
    fitting += [(k, cells) for k, cells in later if cells is not None]
    best: tuple[int, int, list[Heading]] = (0, -1, [Heading(role=None)] * layout.width)
    for place, (k, cells) in enumerate(fitting):
        below = fitting[place + 1][1] if place + 1 < len(fitting) else [""] * layout.width
        options = [cells]
        if all(map(is_unit, below)) or not all(map(is_unit, cells)):
            options.append([f"{a} {b}".strip() for a, b in zip(cells, below, strict=True)])
        for words in options:
            found = [heading_of(w) if w else Heading(role=None) for w in words]
            worth = max(1, _worth(found) - (6 if all(map(is_unit, words)) else 0))  # words tell more than bare units
            if any(h.role for h in found) and worth > best[0]:
                best = (worth, k, found)
    return best[2], best[1] if best[1] >= 0 else None


def _worth(headings: list[Heading]) -> int:
    """How much a line says about the columns: the roles it names, and their units."""
    roles = {h.role for h in headings if h.role}
    units = {h.role for h in headings if h.role and h.unit}
    whole = "frequency" in roles and len(roles) > 1
    return (4 if whole else 2) * len(roles) + len(units) if roles else 0


def _fitted(line: str, layout: Layout, sample: NDArray[np.float64]) -> list[str] | None:
    """Split a line of words as its rows are; None where it does not fit them or holds numbers."""
    text = line.lstrip("#%!/*' \t") if is_comment(line) else line
    width = layout.width
    for separator in (layout.separator, *(s for s in SEPARATORS if s != layout.separator)):
        cells = cells_of(text, separator)
        if separator == " ":
            cells = _regrouped(text, cells, width)
        cells = _squeezed(cells, width, sample)
        if len(cells) == width:
            break
    else:
        cells = roles_in_order(text)
    if len(cells) != width or any(number_of(c, layout.decimal) is not None for c in cells if not is_unit(c)):
        return None
    return cells


def _squeezed(cells: list[str], width: int, sample: NDArray[np.float64]) -> list[str]:
    """Fit headings whose units stand in cells of their own, or that leave one column without a word."""
    if len(cells) == 2 * width:
        return [f"{a} {b}" for a, b in zip(cells[::2], cells[1::2], strict=True)]
    if len(cells) == width - 1 and width > 3:
        blank_end = bool(np.isnan(sample[:, -1]).all())
        return [*cells, ""] if blank_end else ["", *cells]
    while len(cells) > width and not cells[-1]:
        cells = cells[:-1]
    return cells


def _regrouped(text: str, cells: list[str], width: int) -> list[str]:
    """Put the words of headings together that blanks part, such as "Gain (dB)"."""
    wide = [c for c in text.replace("\t", "  ").strip().split("  ") if c.strip()]
    if len(wide) == width:
        return wide
    joined: list[str] = []
    for cell in cells:
        hangs_on = cell.startswith(("(", "[", "/")) or (joined and joined[-1].endswith(("(", "[", "/")))
        if hangs_on and joined:
            joined[-1] += f" {cell}"
        else:
            joined.append(cell)
    if len(joined) not in {width, 2 * width}:
        ordered = roles_in_order(text)
        return ordered if len(ordered) == width else joined
    return joined


def with_units(headings: list[Heading], units: list[str]) -> list[Heading]:
    """Add the units that stand behind the numbers of a row.

    Parameters
    ----------
    headings : list of Heading
        One per column.
    units : list of str
        Unit in each cell of a row, empty where none stands there.

    Returns
    -------
    list of Heading
        The same with roles and units completed.
    """
    found = []
    for heading, unit in zip(headings, units, strict=True):
        said = heading_of(unit) if unit else Heading(role=None)
        if said.role is None or (heading.role not in {None, said.role}):
            found.append(heading)
        else:
            found.append(replace(heading, role=said.role, unit=said.unit, scale=said.scale))
    return found


def _first(headings: list[Heading], role: Role, unit: str | None = None) -> int | None:
    """First column with a role, those beside the point last; None where there is none."""
    found = [k for k, h in enumerate(headings) if h.role == role and (unit is None or h.unit == unit)]
    return min(found, key=lambda k: (headings[k].beside, k)) if found else None


def _frequency_by_values(headings: list[Heading], sample: NDArray[np.float64]) -> int | None:
    """Find the column of positive values over the widest span that reaches farthest and does not number the rows."""
    found = []
    for k, values in enumerate(sample.T):
        known = values[np.isfinite(values)]
        free = headings[k].role is None and len(known) > 2 and not counts_rows(values)
        if free and known.min() > 0.0 and known.max() > 3.0 * known.min() and len(np.unique(known)) > 0.4 * len(known):
            rising = bool(np.all(np.diff(known) > 0.0)) or bool(np.all(np.diff(known) < 0.0))
            found.append((rising, known.max(), k))
    return max(found)[2] if found else None


def _pair(
    headings: list[Heading], frequency: int, sample: NDArray[np.float64]
) -> tuple[int, int, tuple[str, ...]] | None:
    """Find the two columns of values and what they are."""
    gain = _first(headings, "gain", "dB")
    gain = _first(headings, "gain") if gain is None else gain
    phase = _first(headings, "phase")
    real, imaginary = _first(headings, "real"), _first(headings, "imaginary")
    if real is not None and imaginary is not None and (gain is None or phase is None):
        return real, imaginary, ("real and imaginary",)
    if (gain is None) != (phase is None) and real is None and imaginary is None:
        gain, phase = _by_elimination(headings, frequency, sample, gain, phase)
    if gain is not None and phase is not None:
        columns = sample[:, [frequency, gain, phase]]
        return gain, phase, _polar(headings[gain], headings[phase], columns[np.isfinite(columns).all(axis=1)])
    return _pair_by_values(headings, frequency, sample)


def _by_elimination(
    headings: list[Heading], frequency: int, sample: NDArray[np.float64], gain: int | None, phase: int | None
) -> tuple[int | None, int | None]:
    """Find the partner of a gain or a phase whose own heading says nothing: the only column left, or the next one."""
    known = gain if gain is not None else phase
    left = [k for k in _left(headings, frequency, sample) if k != known and headings[k].role is None]
    if len(left) > 1:
        left = [k for k in left if known is not None and k == known + (1 if gain is not None else -1)]
    if len(left) != 1:
        return gain, phase
    return (gain, left[0]) if gain is not None else (left[0], phase)


def _left(headings: list[Heading], frequency: int, sample: NDArray[np.float64]) -> list[int]:
    """Columns that may hold values: numbers that change and do not count the rows."""
    found = []
    for k in range(sample.shape[1]):
        known = sample[np.isfinite(sample[:, k]), k]
        steady = len(known) < 0.5 * len(sample) or np.ptp(known) == 0.0 or counts_rows(sample[:, k])
        if k != frequency and headings[k].role in {None, "gain", "phase"} and not steady:
            found.append(k)
    return found


def _polar(gain: Heading, phase: Heading, rows: NDArray[np.float64]) -> tuple[str, ...]:
    """Say in which units gain and phase are, the likeliest first; several where neither heading nor value tells."""
    hz, size, angle = rows.T
    sizes = ("dB",) if gain.unit == "dB" else ("magnitude",) if gain.unit == "linear" else kinds_of_size(hz, size)
    angles: tuple[str, ...] = ("degrees",)
    if phase.unit:
        angles = (phase.unit,)
    elif angle.size and np.abs(angle).max() < 8.0:  # a loop that turns by less than 8 degrees in all is not met
        angles = ("radians",) if np.ptp(angle) > 0.2 else ("radians", "degrees")
    return tuple(f"{s} and {a}" for s in sizes for a in angles)


def _pair_by_values(
    headings: list[Heading], frequency: int, sample: NDArray[np.float64]
) -> tuple[int, int, tuple[str, ...]] | None:
    """Tell the two columns that are left by their values, where these leave no doubt."""
    left = _left(headings, frequency, sample)
    if len(left) != 2:
        return None
    rows = np.isfinite(sample[:, [frequency, *left]]).all(axis=1)
    order = np.argsort(sample[rows, frequency])
    first, second = (sample[rows, k][order] for k in left)
    told = [
        (a, b, values)
        for a, b, x, y in ((left[0], left[1], first, second), (left[1], left[0], second, first))
        for values in read_as_polar(x, y)
    ]
    if not told and both_fade(first, second):
        return left[0], left[1], ("real and imaginary",)
    if len(told) == 2:  # a gain passes through one, where its phase is far from zero
        told = [t for t in told if np.ptp(np.sign(sample[rows, t[0]])) > np.ptp(np.sign(sample[rows, t[1]]))]
    return (told[0][0], told[0][1], (told[0][2],)) if len(told) == 1 else None
