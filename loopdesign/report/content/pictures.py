"""Pictures as SVG: drawn once, the same bytes for the same data, fit to stand in a page or in a document."""

from __future__ import annotations

import io
import re
from functools import partial
from typing import TYPE_CHECKING

from loopdesign.report.drawing.ticks import draw_ticks_together

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from concurrent.futures import Executor

    from matplotlib.figure import Figure as Drawing

    from loopdesign.report.content.blocks import Figure

FONTS = "DejaVu Sans, Libertinus Serif, sans-serif"
"""Families of the letters in a picture, the first there is; the second comes with the document."""
RESOLUTION = 150.0
"""Dots per inch of a picture that is made of dots."""
LONGEST = (
    "step_load", "step_load_back", "step_line", "step_line_back", "step_load_cycles", "step_load_back_cycles",
    "step_line_cycles", "step_line_back_cycles", "loop_overview", "impedances", "loop_bode", "plant_bode",
)  # fmt: skip
"""Names of the figures that take longest to draw."""
_BEFORE_NAMES = (' id="', '\nid="', 'href="#', "url(#")
"""What stands before a name where it is given, and where it is used."""
_HEAD = re.compile(r"^.*?(?=<svg)", re.DOTALL)
_METADATA = re.compile(r"\s*<metadata>.*?</metadata>", re.DOTALL)


def drawn_by(plot: Callable[..., Drawing], *results: object) -> Callable[[], str]:
    """Return the call that draws a picture, by itself or in another process.

    Parameters
    ----------
    plot
        Function of a module that returns a figure of matplotlib.
    results
        What it draws.

    Returns
    -------
    callable
        It returns the text of an SVG file.
    """
    return partial(_drawn, plot, *results)


def _drawn(plot: Callable[..., Drawing], *results: object) -> str:
    return svg_of(plot(*results))


def drawings(figures: Iterable[Figure]) -> dict[str, Callable[[], str]]:
    """List the calls that draw figures, those first that take longest.

    Parameters
    ----------
    figures
        Figures, drawn or not.

    Returns
    -------
    dict of str to callable
        By name of the figure, for those that are still to be drawn.
    """
    calls = {f.name: f.picture for f in figures if not isinstance(f.picture, str)}
    first = [name for name in LONGEST if name in calls]
    return {name: calls[name] for name in dict.fromkeys([*first, *calls])}


def pictures_of(figures: Iterable[Figure], executor: Executor | None = None) -> dict[str, str]:
    """Draw the figures that are still to be drawn.

    Parameters
    ----------
    figures
        Figures, drawn or not.
    executor
        Who draws them; this process unless given.

    Returns
    -------
    dict of str to str
        Texts of SVG files by name.
    """
    calls = drawings(figures)
    share = map if executor is None else executor.map
    return dict(zip(calls, share(draw, calls.values()), strict=True))


def draw(picture: Callable[[], str]) -> str:
    """Make one of the calls that `drawings` lists."""
    return picture()


def svg_of(drawing: Drawing) -> str:
    """Turn a drawn figure into the text of an SVG file, without date or program in it.

    Parameters
    ----------
    drawing
        A matplotlib figure.

    Returns
    -------
    str
        An ``svg`` element; the same for the same data.
    """
    draw_ticks_together(drawing)
    if drawing.get_layout_engine() is None:
        from loopdesign.report.drawing.svg import drawn_svg  # noqa: PLC0415  (loads matplotlib)

        return drawn_svg(drawing)
    from matplotlib import rc_context  # noqa: PLC0415  (a third of a second to import)

    text = io.StringIO()
    with rc_context({"svg.hashsalt": "loopdesign", "svg.fonttype": "path"}):
        drawing.savefig(text, format="svg", metadata={"Date": None, "Creator": None, "Type": None, "Format": None})
    return _METADATA.sub("", _HEAD.sub("", text.getvalue()), count=1)


def with_own_names(svg: str, prefix: str) -> str:
    """Give every named piece of a picture a name that no other picture of a page has.

    Parameters
    ----------
    svg
        Text of an SVG file.
    prefix
        Beginning of every name.

    Returns
    -------
    str
        The same picture.
    """
    for before in _BEFORE_NAMES:
        svg = svg.replace(before, f"{before}{prefix}-")
    return svg


def png_of(svg: str) -> bytes:
    """Turn a picture into dots.

    Parameters
    ----------
    svg
        Text of an SVG file.

    Returns
    -------
    bytes
        A PNG file on white.
    """
    import typst  # noqa: PLC0415  (only where a picture or a document is written)

    page = (
        "#set page(width: auto, height: auto, margin: 0pt, fill: white)\n"
        '#image(bytes(sys.inputs.picture), format: "svg")\n'
    )
    made = typst.compile(
        page.encode(), format="png", ppi=RESOLUTION, sys_inputs={"picture": svg}, ignore_system_fonts=True
    )
    return bytes(made[0] if isinstance(made, list) else made)
