"""A figure of matplotlib as plain SVG: one element for each line, one for each letter, attributes in place of styles.

matplotlib's own writer of SVG gives every artist a group, every mark an element and every element a style, which took
as long as the drawing itself and had to be read again by the page and by the document. `SvgRenderer` writes what the
sheets of a report have in them: paths, marks and text. Pictures made of dots and shades of colour are refused by the
class it is made from.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from matplotlib.backend_bases import RendererBase
from matplotlib.textpath import text_to_path

from loopdesign.report.drawing.letters import EM, letters_of, outline_of
from loopdesign.report.drawing.outline import path_data

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from matplotlib.font_manager import FontProperties
    from matplotlib.transforms import Transform
    from numpy.typing import NDArray

Context: TypeAlias = Any
"""How something is drawn, a `matplotlib.backend_bases.GraphicsContextBase`; its types say less than it promises."""
Outline: TypeAlias = Any
"""A `matplotlib.path.Path`."""
POINTS_PER_INCH = 72.0
HATCH = 72
"""Side of the square that a hatch repeats [point]."""
CAPS = {"butt": "butt", "round": "round", "projecting": "square"}


def drawn_svg(figure: Figure) -> str:
    """Draw a figure as SVG.

    Parameters
    ----------
    figure
        A figure without layout engine, such as `loopdesign.report.basics.sheet.panels` makes.

    Returns
    -------
    str
        An ``svg`` element; the same for the same figure.
    """
    width, height = (float(x) * POINTS_PER_INCH for x in figure.get_size_inches())
    renderer, before = SvgRenderer(width, height), figure.dpi
    figure.set_dpi(POINTS_PER_INCH)
    try:
        figure.draw(renderer)
    finally:
        figure.set_dpi(before)
    return renderer.text()


class SvgRenderer(RendererBase):
    """What matplotlib's artists draw on.

    Parameters
    ----------
    width, height : float
        Of the picture [point].
    """

    def __init__(self, width: float, height: float) -> None:
        super().__init__()
        self._size = (width, height)
        self._pieces: list[str] = []
        self._definitions: list[str] = []
        self._names: dict[Any, str] = {}
        self._clip = ""

    def text(self) -> str:
        """Return what was drawn so far as an ``svg`` element."""
        self._clipped("")
        width, height = self._size
        return (
            f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" version="1.1" '
            f'width="{width:g}pt" height="{height:g}pt" viewBox="0 0 {width:g} {height:g}" fill="none" '
            f'stroke-linejoin="round" stroke-linecap="butt">\n<defs>\n{"".join(self._definitions)}</defs>\n'
            f"{''.join(self._pieces)}</svg>\n"
        )

    # ------------------------------------------------------------ what matplotlib calls

    def get_canvas_width_height(self) -> tuple[float, float]:
        """Return the size of the picture [point]."""
        return self._size

    def get_text_width_height_descent(
        self,
        s: str,
        prop: FontProperties,
        ismath: Any,  # noqa: ANN401
    ) -> tuple[float, float, float]:
        """Measure one line of text [point]."""
        if ismath:
            measured: tuple[float, float, float] = text_to_path.get_text_width_height_descent(s, prop, ismath)
            return measured
        set_letters, size = letters_of(s, prop), prop.get_size_in_points() / EM
        return set_letters.width * size, set_letters.height * size, set_letters.descent * size

    def draw_path(
        self, gc: Context, path: Outline, transform: Transform, rgbFace: Any = None  # noqa: ANN401
    ) -> None:  # fmt: skip
        """Draw one outline."""
        if rgbFace is None and gc.get_hatch() is None:
            sheet = (0.0, 0.0, *self._size)  # what lies far beyond would be dashed all the way
            path = path.cleaned(transform, remove_nans=True, clip=sheet, simplify=path.should_simplify)
            vertices = path.vertices[:-1] if path.codes[-1] == 0 else path.vertices
            codes = path.codes[: len(vertices)]
        else:
            vertices, codes = transform.transform(path.vertices), path.codes
            if not np.isfinite(vertices).all():
                path = path.cleaned(transform, remove_nans=True, curves=True)
                vertices, codes = path.vertices[:-1], path.codes[:-1]  # without the stop at the end
        self._draw(gc, rgbFace, path_data(self._flipped(vertices), codes))

    def draw_markers(
        self, gc: Context, marker_path: Outline, marker_trans: Transform, path: Outline, trans: Transform,
        rgbFace: Any = None,  # noqa: ANN401
    ) -> None:  # fmt: skip
        """Draw one mark at every point; marks of which none hides a part of another are one element."""
        at = trans.transform(path.vertices)
        at = at[np.all(np.isfinite(at), axis=1)]
        mark, codes = marker_trans.transform(marker_path.vertices), marker_path.codes
        if codes is None:
            codes = np.r_[1, np.full(len(mark) - 1, 2)]
        near, far = mark.min(axis=0), mark.max(axis=0)  # what lies wholly beside the sheet is not drawn
        at = at[np.all((at + far >= 0.0) & (at + near <= np.array(self._size)), axis=1)]
        plain = rgbFace is None or gc.get_linewidth() == 0.0 or _same(gc.get_rgb(), rgbFace)
        plain = plain and (gc.get_alpha() == 1.0 or not gc.get_forced_alpha()) and float(gc.get_rgb()[3]) == 1.0
        plain = plain and (rgbFace is None or len(rgbFace) < 4 or float(rgbFace[3]) == 1.0)  # else they add up
        groups = [at] if plain else [place[None] for place in at]
        for places in groups:
            if len(places):
                every = (places[:, None, :] + mark[None]).reshape(-1, 2)
                self._draw(gc, rgbFace, path_data(self._flipped(every), np.tile(codes, len(places))))

    def draw_text(
        self, gc: Context, x: float, y: float, s: str, prop: FontProperties, angle: float,
        ismath: Any = False, mtext: Any = None,  # noqa: ANN401, ARG002
    ) -> None:  # fmt: skip
        """Draw one line of text."""
        size = prop.get_size_in_points() / EM
        turn = f" rotate({-angle:g})" if angle else ""
        place = f"translate({x:.2f} {y:.2f}){turn} scale({size:g} {-size:g})"
        if ismath:
            vertices, codes = text_to_path.get_text_path(prop, s, ismath=ismath)
            inner = f'<path d="{path_data(np.asarray(vertices) * EM / text_to_path.FONT_SCALE, np.asarray(codes))}"/>'
        else:
            inner = "".join(
                f'<use xlink:href="#{self._letter(name, prop)}" x="{across:.5g}"' + (f' y="{up:.5g}"/>' if up else "/>")
                for name, across, up in letters_of(s, prop).places
            )
        self._clipped(self._clip_of(gc))
        self._pieces.append(f'<g{_ink(gc)} transform="{place}">{inner}</g>\n')

    # ------------------------------------------------------------ elements

    def _flipped(self, vertices: NDArray[np.float64]) -> NDArray[np.float64]:
        """Turn the vertical axis down."""
        return np.array([0.0, self._size[1]]) + vertices * np.array([1.0, -1.0])

    def _draw(self, gc: Context, face: Any, data: str) -> None:  # noqa: ANN401
        """Write one element in the look of a context."""
        if data:
            hatch = "" if gc.get_hatch() is None else self._hatch(gc, face)
            look = f' fill="url(#{hatch})"{_alpha(gc)}{_line(gc)}' if hatch else f"{_filled(gc, face)}{_line(gc)}"
            self._clipped(self._clip_of(gc))
            self._pieces.append(f'<path d="{data}"{look}/>\n')

    def _clipped(self, name: str) -> None:
        """Close the group of what is clipped alike where another clip begins."""
        if name != self._clip:
            self._pieces += ["</g>\n"] if self._clip else []
            self._pieces += [f'<g clip-path="url(#{name})">\n'] if name else []
            self._clip = name

    def _clip_of(self, gc: Context) -> str:
        """Name the clip of a context; empty where there is none."""
        box, (path, transform) = gc.get_clip_rectangle(), gc.get_clip_path()
        if path is not None:
            shape = f'<path d="{path_data(self._flipped(transform.transform(path.vertices)), path.codes)}"/>'
        elif box is not None:
            x, y, width, height = box.bounds
            shape = (
                f'<rect x="{x:.5g}" y="{self._size[1] - y - height:.5g}" width="{width:.5g}" height="{height:.5g}"/>'
            )
        else:
            return ""
        return self._named("c", shape, lambda name: f'<clipPath id="{name}">{shape}</clipPath>\n')

    def _letter(self, name: str, face: FontProperties) -> str:
        """Name the definition of a letter."""
        return self._named("l", name, lambda new: f'<path id="{new}" d="{outline_of(name, face)}"/>\n')

    def _hatch(self, gc: Context, face: Any) -> str:  # noqa: ANN401
        """Name the pattern of a hatch."""
        path, ground = gc.get_hatch_path(), "" if face is None else f' fill="{_hex(face)}"{_own(gc, face)}'
        data = path_data(np.array([0.0, HATCH]) + path.vertices * np.array([HATCH, -HATCH]), path.codes)
        colour, thick = gc.get_hatch_color(), gc.get_hatch_linewidth()
        ink = f'fill="{_hex(colour)}" stroke="{_hex(colour)}"' + (
            "" if colour[3] == 1.0 else f' opacity="{colour[3]:g}"'
        )
        inner = (
            f'<rect width="{HATCH + 1}" height="{HATCH + 1}"{ground}/>' if ground else ""
        ) + f'<path d="{data}" {ink} stroke-width="{thick:g}" stroke-linejoin="miter"/>'
        size = f'patternUnits="userSpaceOnUse" width="{HATCH}" height="{HATCH}"'
        return self._named("h", inner, lambda name: f'<pattern id="{name}" {size}>{inner}</pattern>\n')

    def _named(self, kind: str, key: object, define: Any) -> str:  # noqa: ANN401  (a function of the name)
        """Name a definition, made at its first use."""
        name = self._names.get((kind, key))
        if name is None:
            name = self._names[kind, key] = f"{kind}{len(self._names)}"
            self._definitions.append(define(name))
        return name


def _hex(colour: Any) -> str:  # noqa: ANN401  (three or four shares)
    return "#{:02x}{:02x}{:02x}".format(*(round(255.0 * float(share)) for share in colour[:3]))


def _same(colour: Any, other: Any) -> bool:  # noqa: ANN401
    """Whether two colours are the same, and not translucent."""
    return tuple(colour) == tuple(other) and float(other[3]) == 1.0


def _alpha(gc: Context) -> str:
    """Write how much of what lies behind is seen, where it is one share for line and face."""
    return f' opacity="{gc.get_alpha():g}"' if gc.get_forced_alpha() and gc.get_alpha() != 1.0 else ""


def _filled(gc: Context, face: Any) -> str:  # noqa: ANN401
    """Write how an outline is filled; without a face it is not."""
    if face is None:
        return _alpha(gc)
    return f' fill="{_hex(face)}"{_own(gc, face)}{_alpha(gc)}'


def _own(gc: Context, face: Any) -> str:  # noqa: ANN401
    """Write how much of what lies behind is seen through a face alone."""
    return "" if gc.get_forced_alpha() or len(face) < 4 or face[3] == 1.0 else f' fill-opacity="{face[3]:g}"'


def _ink(gc: Context) -> str:
    """Write the colour of letters."""
    share = gc.get_alpha() if gc.get_forced_alpha() else gc.get_rgb()[3]
    return f' fill="{_hex(gc.get_rgb())}"' + ("" if share == 1.0 else f' opacity="{share:g}"')


def _line(gc: Context) -> str:
    """Write colour, width, dashes and ends of a line; nothing where it has no width."""
    width = gc.get_linewidth()
    if not width:
        return ""
    colour, (offset, dashes) = gc.get_rgb(), gc.get_dashes()
    told = f' stroke="{_hex(colour)}"'
    if not gc.get_forced_alpha() and colour[3] != 1.0:
        told += f' stroke-opacity="{colour[3]:g}"'
    if width != 1.0:
        told += f' stroke-width="{width:g}"'
    if dashes is not None:
        told += f' stroke-dasharray="{",".join(f"{x:g}" for x in dashes)}"'
        told += f' stroke-dashoffset="{offset:g}"' if offset else ""
    if (joint := gc.get_joinstyle()) != "round":
        told += f' stroke-linejoin="{joint}"'
    if (cap := CAPS[gc.get_capstyle()]) != "butt":
        told += f' stroke-linecap="{cap}"'
    return told
