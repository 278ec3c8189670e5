"""Which column of a table is what: by its headings, their units, and by the values themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.bench.reading.headings import Heading, heading_of
from loopdesign.bench.reading.layout import cells_of, is_comment, number_of
from loopdesign.errors import DataError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.bench.reading.headings import Role
    from loopdesign.bench.reading.layout import Layout

HEADING_LINES = 3
"""Most lines directly above the numbers that make one heading: words, units, the channel."""
_AMBIGUOUS = (
    "which column is which cannot be told; name the columns in a first line, such as "
    "'Frequency (Hz), Gain (dB), Phase (deg)'"
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
    values : str
        ``dB and degrees``, ``magnitude and degrees``, ``real and imaginary``, or the same with radians.
    stated : bool
        Whether the heading gives the unit of the frequency [unitless].
    """

    frequency: int
    first: int
    second: int
    frequency_unit: str
    hertz: float
    values: str
    stated: bool


def find_columns(lines: list[str], layout: Layout, sample: NDArray[np.float64], name: str) -> Columns:
    """Find the columns of frequency and values.

    Parameters
    ----------
    lines : list of str
        Lines of the file.
    layout : Layout
        How the table is written.
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
    headings = _headings(lines, layout, sample)
    frequency = _first(headings, "frequency")
    if frequency is None:
        frequency = _frequency_by_values(headings, sample)
    if frequency is None:
        raise DataError(f"{name}: {_AMBIGUOUS}")
    pair = _pair(headings, frequency, sample)
    if pair is None:
        raise DataError(f"{name}: {_AMBIGUOUS}")
    first, second, values = pair
    said = headings[frequency]
    return Columns(
        frequency=frequency,
        first=first,
        second=second,
        frequency_unit=said.unit or "Hz",
        hertz=said.scale,
        values=values,
        stated=bool(said.unit),
    )


def _headings(lines: list[str], layout: Layout, sample: NDArray[np.float64]) -> list[Heading]:
    """Read the lines directly above the numbers, joined column by column; empty headings where there are none."""
    words = [""] * layout.width
    above = [x for x in lines[max(0, layout.first - 8) : layout.first] if x.strip()]
    for line in reversed(above[-HEADING_LINES:]):
        cells = _fitted(line, layout, sample)
        if cells is None:
            break
        words = [f"{c} {w}".strip() for c, w in zip(cells, words, strict=True)]
    return [heading_of(w) if w else Heading(role=None) for w in words]


def _fitted(line: str, layout: Layout, sample: NDArray[np.float64]) -> list[str] | None:
    """Split a line of words as its rows are; None where it does not fit them or holds numbers."""
    text = line.lstrip("#%!/*' \t") if is_comment(line) else line
    cells, width = cells_of(text, layout.separator), layout.width
    if layout.separator == " ":
        cells = _regrouped(text, cells, width)
    if len(cells) == 2 * width:
        cells = [f"{a} {b}" for a, b in zip(cells[::2], cells[1::2], strict=True)]
    if len(cells) == width - 1:
        blank_end = bool(np.isnan(sample[:, -1]).all())
        cells = [*cells, ""] if blank_end else ["", *cells]
    if len(cells) == width + 1 and not cells[-1]:
        cells = cells[:-1]
    if len(cells) != width or any(number_of(c, layout.decimal) is not None for c in cells):
        return None
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
    return joined


def _first(headings: list[Heading], role: Role, unit: str | None = None) -> int | None:
    """First column with a role, those beside the point last; None where there is none."""
    found = [k for k, h in enumerate(headings) if h.role == role and (unit is None or h.unit == unit)]
    return min(found, key=lambda k: (headings[k].beside, k)) if found else None


def _counts(values: NDArray[np.float64]) -> bool:
    """Whether a column numbers its rows."""
    return len(values) > 1 and bool(np.all(np.diff(values) == 1.0))


def _frequency_by_values(headings: list[Heading], sample: NDArray[np.float64]) -> int | None:
    """Find the column of positive values over the widest span that reaches farthest and does not number the rows."""
    found = []
    for k, values in enumerate(sample.T):
        known = values[np.isfinite(values)]
        free = headings[k].role is None and len(known) > 2 and not _counts(known)
        if free and known.min() > 0.0 and known.max() > 3.0 * known.min() and len(np.unique(known)) > 0.5 * len(known):
            found.append((known.max(), k))
    return max(found)[1] if found else None


def _pair(headings: list[Heading], frequency: int, sample: NDArray[np.float64]) -> tuple[int, int, str] | None:
    """Find the two columns of values and what they are."""
    gain = _first(headings, "gain", "dB")
    gain = _first(headings, "gain") if gain is None else gain
    phase = _first(headings, "phase")
    real, imaginary = _first(headings, "real"), _first(headings, "imaginary")
    if gain is not None and phase is not None:
        return gain, phase, _polar(headings[gain], headings[phase], sample[:, gain], sample[:, phase])
    if real is not None and imaginary is not None:
        return real, imaginary, "real and imaginary"
    return _pair_by_values(headings, frequency, sample)


def _polar(gain: Heading, phase: Heading, size: NDArray[np.float64], angle: NDArray[np.float64]) -> str:
    """Say in which units gain and phase are."""
    size, angle = size[np.isfinite(size)], angle[np.isfinite(angle)]
    decibel = gain.unit == "dB" or (size.size > 0 and size.min() < 0.0)
    radians = phase.unit == "radians"
    if not phase.unit and angle.size:  # a loop that turns by less than 7 degrees in all is not met
        radians = bool(np.abs(angle).max() < 6.4 and np.ptp(angle) > 0.2)
    return f"{'dB' if decibel else 'magnitude'} and {'radians' if radians else 'degrees'}"


def _pair_by_values(
    headings: list[Heading], frequency: int, sample: NDArray[np.float64]
) -> tuple[int, int, str] | None:
    """Tell the two columns that are left by their values, where these leave no doubt."""
    left = [k for k in range(sample.shape[1]) if k != frequency and headings[k].role in {None, "gain", "phase"}]
    left = [k for k in left if np.isfinite(sample[:, k]).mean() > 0.5 and not _counts(sample[:, k])]
    if len(left) != 2:
        return None
    order = np.argsort(sample[:, frequency])
    first, second = (sample[order, k] for k in left)
    tail = slice(-max(3, len(order) // 10), None)
    angle_like = np.nanmedian(np.abs(second[tail])) > 5.0 and np.nanmax(np.abs(second)) > 45.0
    small = max(np.nanmedian(np.abs(first[tail])), np.nanmedian(np.abs(second[tail]))) < 1.0
    if angle_like and np.nanmin(first) < 0.0 and np.nanmax(np.abs(first)) < 150.0:
        return left[0], left[1], "dB and degrees"
    if angle_like and np.nanmin(first) > 0.0 and np.nanmax(first) > 150.0 * np.nanmin(first):
        return left[0], left[1], "magnitude and degrees"
    if small and np.nanmax(np.hypot(first, second)) > 3.0:
        return left[0], left[1], "real and imaginary"
    return None
