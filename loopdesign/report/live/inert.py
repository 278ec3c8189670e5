"""Pictures for a page whose content policy forbids style in tags: what a style says becomes attributes.

Paths are written with a tenth of a point, a fraction of what an eye or a printer resolves, which halves the page.
"""

from __future__ import annotations

import re

_STYLE_ELEMENT = re.compile(r"<style[^>]*>.*?</style>", re.DOTALL)
_TAG = re.compile(r"<([a-zA-Z][\w:-]*)((?:\s+[\w:-]+=\"[^\"]*\")*\s+style=\"[^\"]*\"[^<>]*?)(/?)>")
_ATTRIBUTE = re.compile(r"([\w:-]+)=\"([^\"]*)\"")
_PATH = re.compile(r'(?<= d=")[^"]*(?=")')
_LONG = re.compile(r"(\.\d)\d+(?![\de])")
_GAP = re.compile(r"\s+(?=[A-Za-z])|(?<=[A-Za-z])\s+|\s+$")
_ROOT = 'stroke-linejoin="round" stroke-linecap="butt"'
"""What matplotlib's style element says of every line."""


def without_styles(html: str) -> str:
    """Turn every style attribute inside the pictures of a page into presentation attributes.

    Parameters
    ----------
    html
        Page with pictures as inline SVG.

    Returns
    -------
    str
        The same without style elements and attributes in the pictures.
    """
    words, *pictures = html.split("<svg ")
    pieces = [words]
    for picture in pictures:
        inner, end, words = picture.partition("</svg>")
        pieces += [_picture(f"<svg {inner}{end}"), words]
    return "".join(pieces)


def _picture(svg: str) -> str:
    if "style" not in svg:
        return svg
    plain = _STYLE_ELEMENT.sub("", svg)
    if plain != svg:
        plain = plain.replace("<svg ", f"<svg {_ROOT} ", 1)
    return _PATH.sub(_shorter, _TAG.sub(_tag, plain))


def _shorter(found: re.Match[str]) -> str:
    return _GAP.sub("", _LONG.sub(r"\1", found.group()))


def _tag(found: re.Match[str]) -> str:
    name, written, end = found.groups()
    attributes = dict(_ATTRIBUTE.findall(written))
    for rule in attributes.pop("style").split(";"):
        key, colon, value = rule.partition(":")
        if colon:
            attributes[key.strip()] = value.strip().removesuffix("!important").strip()
    told = "".join(f' {key}="{value}"' for key, value in attributes.items())
    return f"<{name}{told}{'/' if end else ''}>"
