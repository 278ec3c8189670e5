"""A figure whose margins find themselves: maps with a colour bar, and bars with long names beside them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def own_figure(width: float, height: float) -> Figure:
    """Make an empty figure with a canvas of its own; no global state is touched.

    Parameters
    ----------
    width, height : float
        Of the figure [inch].

    Returns
    -------
    Figure
        Without axes yet.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg  # noqa: PLC0415  (a third of a second to import)
    from matplotlib.figure import Figure  # noqa: PLC0415

    figure = Figure(figsize=(width, height), layout="constrained")
    FigureCanvasAgg(figure)
    return figure
