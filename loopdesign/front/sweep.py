"""``sweep``: margins and verdict against one or two quantities of a case."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from loopdesign.analysis import sweep as below
from loopdesign.analysis.sweep import SweepResult, spaced
from loopdesign.case import parse_case, read_text
from loopdesign.case.vary import read_value, unit_of
from loopdesign.case.words import spelled
from loopdesign.errors import DataError
from loopdesign.front.shown import Shown, shown_as
from loopdesign.report.basics.brief import Brief
from loopdesign.report.basics.tables import VERDICT, Column, Table

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from os import PathLike

    from loopdesign.case import Case
    from loopdesign.report.basics.tables import CellValue

ENDS = 2
"""Values given as a pair are the ends of a range."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Sweep(Shown, SweepResult):
    """Hold a sweep: one point per combination of values, each the worst over the nominal corners.

    Attributes
    ----------
    varied : tuple of tuple
        Key and values of each varied quantity, in SI units.
    points : tuple of SweepPoint
        The last quantity varies fastest.

    Examples
    --------
    >>> import loopdesign as ld
    >>> swept = ld.sweep("cases/tide_gauge_sepic_undamped.toml", {"specification.input_voltage": ["8 V", "13 V"]})
    >>> [point.stable for point in swept.points]
    [False, True]
    """

    def brief(self) -> Brief:
        """Say how many points are stable, then the points."""
        stable = sum(bool(p.stable) for p in self.points)
        told = f"{stable} of {len(self.points)} points are stable at every nominal corner"
        lost = f"; {self.failed} could not be examined" if self.failed else ""
        return Brief(verdict=told + lost, table=sweep_table(self), notes=_errors(self))


def sweep_table(swept: SweepResult) -> Table:
    """Set verdict and margins beside the values of each point.

    Parameters
    ----------
    swept : SweepResult
        The points.

    Returns
    -------
    Table
        One row per point.
    """
    columns = [Column(heading=key.replace(".", " "), unit=unit_of(key), digits=4, key=True) for key, _ in swept.varied]
    columns += [
        VERDICT, Column(heading="largest multiplier", unit="", digits=5),
        Column(heading="highest crossover", unit="Hz", digits=4), Column(heading="phase margin", unit="deg", digits=4),
        Column(heading="gain margin", unit="dB", digits=4), Column(heading="modulus margin", unit="", digits=3),
    ]  # fmt: skip
    rows: list[tuple[CellValue, ...]] = []
    for p in swept.points:
        verdict = "not examined" if p.error is not None else "stable" if p.stable else "UNSTABLE"
        rows.append(
            (
                *p.values, verdict, p.largest_multiplier, p.crossover_hz, p.phase_margin_deg, p.gain_margin_db,
                p.modulus_margin,
            )
        )  # fmt: skip
    return Table(title="Sweep", columns=tuple(columns), rows=tuple(rows))


def _errors(swept: SweepResult) -> tuple[str, ...]:
    """Say why points could not be examined, each reason once."""
    return tuple(dict.fromkeys(p.error for p in swept.points if p.error is not None))


def sweep(
    case: Case | str | PathLike[str],
    vary: Mapping[str, Sequence[float | str]],
    *,
    points: int = 21,
    log: bool = False,
    unlimited: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Sweep:
    """Check a case at many values of one or two of its quantities.

    Parameters
    ----------
    case : str or Path
        The path of the case file; a case is read again from its file.
    vary : mapping of str to sequence of float or str
        Path of each quantity in the case file, ``"stage.Cs.capacitance"``: a pair is the ends of a range, more or fewer
        values are taken as they are; numbers in SI units or text such as ``"4.7 uF"`` [unitless].
    points : int
        Points of a range [unitless].
    log : bool
        Space a range by equal ratios [unitless].
    unlimited : bool
        Take any number of points [unitless].
    progress : callable, optional
        Called with the number of points done and of all points.

    Returns
    -------
    Sweep
        One point per combination, each the worst over the nominal corners.

    Raises
    ------
    CaseError
        Where the case file holds faults.
    DataError
        For an unknown key, a wrong unit, more than two keys, or too many points.

    Examples
    --------
    >>> import loopdesign as ld
    >>> ld.sweep("cases/tide_gauge_sepic_undamped.toml", {"compensation.R1": ("2 kohm", "8 kohm")}, points=3).failed
    0
    """
    name = str(getattr(case, "source", case))
    text = read_text(Path(name))
    parse_case(text, name)  # faults of the file itself are told first
    document = spelled(tomllib.loads(text.replace("\r\n", "\n")))
    values: dict[str, tuple[float, ...]] = {}
    for key, given in vary.items():
        if isinstance(given, str) or not len(given):
            raise DataError(f"{key}: give the ends of a range, or a list of values; found {given!r}")
        read = [read_value(document, key, str(v)) for v in given]
        if len(read) == ENDS and not isinstance(given, list):
            read = list(spaced(read[0], read[1], points, logarithmic=log))
        values[key] = tuple(read)
    return shown_as(Sweep, below.swept(document, values, name, unlimited=unlimited, progress=progress))
