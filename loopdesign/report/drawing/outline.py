"""Outlines as SVG path data: hundredths of a point, a curve as the steps from point to point.

What one reads here are curves of several hundred points in panels of two to five inches; a hundredth of a point is
3.5 micrometres.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

STOP, MOVE, LINE, QUADRATIC, CUBIC, CLOSE = 0, 1, 2, 3, 4, 79
"""Codes of matplotlib's paths."""
_LETTERS = {MOVE: "M", LINE: "L", QUADRATIC: "Q", CUBIC: "C"}
_POINTS = {MOVE: 1, LINE: 1, QUADRATIC: 2, CUBIC: 3}
"""Points that each code takes."""


def path_data(vertices: NDArray[np.float64], codes: NDArray[np.uint8] | None = None, *, digits: int = 2) -> str:
    """Write an outline as the data of an SVG path.

    Parameters
    ----------
    vertices : ndarray (N, 2)
        Points, in the unit of the picture, the vertical axis down.
    codes : ndarray (N,), optional
        What leads to each of them, as matplotlib numbers it; lines where absent.
    digits : int
        Decimals [unitless].

    Returns
    -------
    str
        Empty where there is no point.
    """
    if not len(vertices):
        return ""
    if codes is None or (codes[0] == MOVE and bool(np.all(codes[1:] == LINE))):
        return _polyline(vertices, digits)
    return "".join(_pieces((np.round(vertices, digits) + 0.0).tolist(), codes.tolist()))


def _polyline(vertices: NDArray[np.float64], digits: int) -> str:
    """Write one line through all points. Rounded places are subtracted, so that no error adds up along it."""
    places = np.rint(vertices * 10.0**digits)
    steps = np.diff(places, axis=0) / 10.0**digits + 0.0
    x, y = (places[0] / 10.0**digits + 0.0).tolist()
    if not len(steps):
        return f"M{x:.10g} {y:.10g}".replace(" -", "-")
    written = (("%.10g %.10g " * len(steps)) % tuple(steps.ravel().tolist()))[:-1]
    return f"M{x:.10g} {y:.10g}l{written}".replace(" -", "-")


def _pieces(places: list[list[float]], codes: list[int]) -> Iterator[str]:
    """Write moves, lines and curves one by one."""
    k = 0
    while k < len(codes):
        code = codes[k]
        if code == STOP:
            return
        if code == CLOSE:
            yield "Z"
            k += 1
            continue
        count = _POINTS[code]
        yield _LETTERS[code] + " ".join(f"{x:g} {y:g}" for x, y in places[k : k + count]).replace(" -", "-")
        k += count
