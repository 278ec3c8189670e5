"""``size``: the smallest parts with which the best compensation meets every target."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from loopdesign.case import Case, read_text
from loopdesign.errors import DataError
from loopdesign.explore.size import SizeResult, sized
from loopdesign.front.shown import Shown, shown_as
from loopdesign.report.basics.brief import Brief
from loopdesign.report.explore.size_text import size_covered, size_notes, size_table, size_verdict

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Executor
    from os import PathLike

    from matplotlib.figure import Figure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Size(Shown, SizeResult):
    """Hold a search for the smallest parts: every combination of candidates with the best compensation for it.

    Attributes
    ----------
    points : tuple of Combination
        Those examined, the cheapest first, each reading the worst of everything examined.
    front : tuple of int
        Numbers of those that meet every target and that no other one beats by cost and step deviation.
    smallest, nearest : Combination or None
        The cheapest that meets every target; where none does, the one that misses them least.
    title, weighed_by, nominal, combinations, skipped, limits, stepped
        What `loopdesign.explore.size.SizeResult` holds.

    Examples
    --------
    >>> import loopdesign as ld
    >>> issubclass(ld.Size, ld.LoopDesignError)
    False
    """

    def brief(self) -> Brief:
        """Say which combination is the smallest, then what it reaches."""
        return Brief(verdict=size_verdict(self), table=size_table(self), notes=(*size_notes(self), size_covered(self)))

    def plot(self) -> Figure:
        """Draw cost against step deviation.

        Returns
        -------
        matplotlib.figure.Figure
            With the front, and the step deviation allowed.
        """
        from loopdesign.report.explore.size_plot import size_figure  # noqa: PLC0415  (loads matplotlib)

        return size_figure(self)


def size(
    case: Case | str | PathLike[str],
    *,
    nominal: bool = False,
    cheapest: bool = False,
    unlimited: bool = False,
    executor: Executor | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Size:
    """Find the cheapest combination of the case's candidates with which the best compensation meets every target.

    Parameters
    ----------
    case : str or Path
        The path of the case file, with candidates; a case is read again from its file.
    nominal : bool
        Leave tolerances and temperatures out [unitless].
    cheapest : bool
        Leave out what costs more than the cheapest that meets all; where that leaves any out, there is no front
        [unitless].
    unlimited : bool
        Take any number of combinations [unitless].
    executor : concurrent.futures.Executor, optional
        Who does the work, such as `ld.Workers`; this process unless given. The numbers are the same with any.
    progress : callable, optional
        Called with the number of combinations done and of all.

    Returns
    -------
    Size
        Every combination examined, and the front.

    Raises
    ------
    CaseError
        Where the case file holds faults.
    DataError
        Where it has no candidates or no loop, or too many combinations.

    Examples
    --------
    >>> import loopdesign as ld
    >>> try:
    ...     ld.size("cases/tide_gauge_sepic.toml")
    ... except ld.DataError as error:
    ...     print("there are no candidates" in str(error))
    True
    """
    if isinstance(case, Case) and not case.source:
        raise DataError("size reads the case anew from its file, and this case has none; give the path of the file")
    name = str(getattr(case, "source", case))
    found = sized(
        read_text(Path(name)), name, nominal=nominal, cheapest=cheapest, unlimited=unlimited, executor=executor,
        progress=progress,
    )  # fmt: skip
    return shown_as(Size, found)
