"""What a heading says its column holds: by unit first, which is the same in every language, then by word."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from typing import Literal, TypeAlias

Role: TypeAlias = Literal["frequency", "gain", "phase", "real", "imaginary"]

_HERTZ = re.compile(r"(?<![a-z])([kmg]?)hz(?![a-z])|([кмг]?)гц|(千|兆|k|m)?(?:赫兹?|ヘルツ)")
_MULTIPLES = {"k": 1e3, "m": 1e6, "g": 1e9, "к": 1e3, "м": 1e6, "г": 1e9, "千": 1e3, "兆": 1e6}
_NAMES = {1.0: "Hz", 1e3: "kHz", 1e6: "MHz", 1e9: "GHz"}
_ANGULAR = re.compile(r"rad\s*/\s*s|рад\s*/\s*с|omega|ω")
_DECIBEL = re.compile(r"(?<![a-z])db(?![a-z])|decibel|dezibel|дб|分贝|デシベル")
_DEGREES = re.compile(r"°|˚|degre|(?<![a-z])degs?(?![a-z])|(?<![a-z])grad(?![a-z])|grad[io]|graus|град|度|stopn|aste")
_RADIANS = re.compile(r"(?<![a-z])rad(?![a-z])|radian|рад|弧度")
_WORDS: tuple[tuple[Role, re.Pattern[str]], ...] = (
    ("imaginary", re.compile(r"imag|(?<![a-z])im(?![a-z])|мним|虚")),
    ("real", re.compile(r"real|reel|(?<![a-z])re(?![a-z])|действ|вещ|实部|実部")),
    (
        "phase",
        re.compile(r"phas|fas[ei]|faz|fasa|фаз|相|vaihe|winkel|angle|argument|(?<![a-z])(?:arg|fas|ph)(?![a-z])"),
    ),
    (
        "frequency",
        re.compile(r"fr[ei][qckgh]|freq|frec|frek|част|频|周波|taajuus|czestotl|kmitoc|(?<![a-z])f(?![a-z])"),
    ),
    (
        "gain",
        re.compile(
            r"gain|magn|betrag|ampl|verst|modul|guadagno|gananc|ganho|усил|модул|ампл|增益|利得|ゲイン|幅|forst|versterk"
            r"|vahvist|wzmoc|zesil|module|(?<![a-z])(?:mag|abs|level|ratio)(?![a-z])|\|[a-z]\|"
        ),
    ),
)
_BESIDE = re.compile(r"delay|laufzeit|time|zeit|date|coheren|koharen|marg|quality|kanal 1|index")
_LESS = re.compile(r"ref|mem|input|eingang|(?<![a-z])osc|stimul|source|quelle|ch(?:annel)?\s*[12]|level")


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """What a heading says.

    Attributes
    ----------
    role : str or None
        What the column holds; None where the heading does not say.
    unit : str
        Unit as far as the heading gives one: ``kHz``, ``dB``, ``degrees``, ``radians``; empty where it does not.
    scale : float
        Hertz in one unit of a frequency [Hz].
    beside : bool
        Whether another column with this role comes first: a reference, a memory, an input level [unitless].
    """

    role: Role | None
    unit: str = ""
    scale: float = 1.0
    beside: bool = False


def heading_of(text: str) -> Heading:  # noqa: PLR0911  (one rule after the other)
    """Read a heading, its line of units included.

    Parameters
    ----------
    text : str
        The text above a column.

    Returns
    -------
    Heading
        Role and unit.
    """
    plain = text.replace("º", "°").casefold()
    plain = "".join(c for c in unicodedata.normalize("NFKD", plain) if not unicodedata.combining(c))
    beside = bool(_LESS.search(plain))
    if _BESIDE.search(plain):
        return Heading(role=None)
    if _ANGULAR.search(plain):
        return Heading(role="frequency", unit="rad/s", scale=0.5 / math.pi)
    hertz = _HERTZ.search(plain)
    word = next((role for role, pattern in _WORDS if pattern.search(plain)), None)
    if hertz is not None and word in {None, "frequency"}:
        scale = _MULTIPLES.get(next((g for g in hertz.groups() if g), ""), 1.0)
        return Heading(role="frequency", unit=_NAMES[scale], scale=scale)
    if _DECIBEL.search(plain) and word != "phase":
        return Heading(role="gain", unit="dB", beside=beside)
    if word in {None, "phase"} and _DEGREES.search(plain):
        return Heading(role="phase", unit="degrees", beside=beside)
    if word in {None, "phase"} and _RADIANS.search(plain):
        return Heading(role="phase", unit="radians", beside=beside)
    return Heading(role=word, beside=beside)
