"""Words as outlines of letters: where each stands and what it looks like, worked out once for a word and a face.

A picture that names a font looks different on each machine; one that carries its letters does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

from matplotlib import ft2font
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import text_to_path

from loopdesign.report.drawing.outline import path_data

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

EM = float(text_to_path.FONT_SCALE)
"""Height of the square that a letter is drawn in [unit of its outline]."""
UNIT = 64.0
"""Parts of a pixel in which fonts are measured."""
MOST_WORDS = 4096
"""Pieces of text that are remembered; a report has some hundreds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Letters:
    """One line of text in a face.

    Attributes
    ----------
    width, height, descent : float
        What it takes, and how much of the height lies below its baseline [`EM`].
    places : tuple of (str, float, float)
        Name of each letter's outline, and where it stands [`EM`].
    """

    width: float
    height: float
    descent: float
    places: tuple[tuple[str, float, float], ...]


def letters_of(words: str, face: FontProperties) -> Letters:
    """Set one line of text.

    Parameters
    ----------
    words : str
        The text.
    face : FontProperties
        Its face; the size does not matter.

    Returns
    -------
    Letters
        Measured in the unit of the outlines.
    """
    return _set(words, *_face(face))


def outline_of(name: str, face: FontProperties) -> str:
    """Return the outline of a letter as the data of an SVG path, the vertical axis up, in the unit of `Letters`.

    Parameters
    ----------
    name : str
        As `Letters` names it.
    face : FontProperties
        The face it was set in.

    Returns
    -------
    str
        With a thousandth of the letter's height, as fonts have it.
    """
    known = _known(*_face(face))
    if name not in known.written:
        known.written[name] = path_data(*known.outlines[name], digits=1)
    return known.written[name]


def _face(face: FontProperties) -> tuple[tuple[str, ...], str, str, str | int, str | int]:
    """Return what tells faces apart."""
    family = tuple(face.get_family())
    return family, face.get_style(), face.get_variant(), face.get_weight(), face.get_stretch()


@lru_cache(maxsize=MOST_WORDS)
def _set(words: str, *kind: Any) -> Letters:  # noqa: ANN401  (what tells faces apart)
    known = _known(*kind)
    known.font.set_size(EM, text_to_path.DPI)  # matplotlib uses the same font at other sizes
    return _laid(words, known) if hasattr(known.font, "_layout") else _set_by_matplotlib(words, known)


def _set_by_matplotlib(words: str, known: _Known) -> Letters:
    """Set words as matplotlib does, which loads each letter twice each time it stands in one."""
    setter: Any = text_to_path
    width, height, descent = setter.get_text_width_height_descent(words, known.face, ismath=False)
    places, _, _ = setter.get_glyphs_with_font(known.font, words, glyph_map=known.outlines)
    return Letters(
        width=width, height=height, descent=descent, places=tuple((str(n), float(x), float(y)) for n, x, y, _ in places)
    )


def _laid(words: str, known: _Known) -> Letters:
    """Set words with each letter loaded once; places and sizes are those of `_set_by_matplotlib`."""
    places: list[tuple[str, float, float]] = []
    lows: list[float] = []
    highs: list[float] = []
    end = 0.0
    for item in known.font._layout(words, ft2font.LoadFlags.NO_HINTING, features=None, language=None):  # noqa: SLF001
        letter = item.ft_object, item.glyph_index
        if letter not in known.measured:
            known.measured[letter] = _measured(*letter, known)
        name, low, high, advance = known.measured[letter]
        places.append((name, item.x, item.y))
        lows.append(item.y + low)
        highs.append(item.y + high)
        end = item.x + advance
    low, high = min(lows, default=0.0), max(highs, default=0.0)
    return Letters(width=end, height=high - low, descent=-low, places=tuple(places))


def _measured(font: Any, letter: int, known: _Known) -> tuple[str, float, float, float]:  # noqa: ANN401
    """Load a letter, keep its outline, and return its name, where it ends below and above, and its advance [`EM`]."""
    setter: Any = text_to_path
    shape = font.load_glyph(letter, flags=ft2font.LoadFlags.NO_HINTING)
    name: str = setter._get_glyph_repr(font, letter)  # noqa: SLF001
    known.outlines[name] = font.get_path()
    return name, shape.bbox[1] / UNIT, shape.bbox[3] / UNIT, shape.horiAdvance / UNIT


class _Known(NamedTuple):
    """A face, and its letters needed so far: outlines by name, as the font has them and as written, and sizes."""

    face: FontProperties
    font: Any
    outlines: dict[str, tuple[NDArray[np.float64], NDArray[np.uint8]]]
    written: dict[str, str]
    measured: dict[tuple[Any, int], tuple[str, float, float, float]]


@lru_cache(maxsize=64)
def _known(family: tuple[str, ...], style: Any, variant: Any, weight: str | int, stretch: str | int) -> _Known:  # noqa: ANN401
    """Hold what is known of a face."""
    setter: Any = text_to_path
    face = FontProperties(family=list(family), style=style, variant=variant, weight=weight, stretch=stretch, size=EM)
    font = setter._get_font(face)  # noqa: SLF001  (the font with those that stand in for missing letters)
    return _Known(face, font, {}, {}, {})
