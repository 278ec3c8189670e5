"""What a heading says its column holds: by unit first, which is the same in every language, then by word."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass
from typing import Literal, TypeAlias

Role: TypeAlias = Literal["frequency", "gain", "phase", "real", "imaginary"]


def folded(text: str) -> str:
    """Fold case, accents and look-alike signs away, so that one pattern meets every spelling.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        The same for comparison only.
    """
    for sign, word in (("º", "°"), ("˚", "°"), ("Ω", "ohm"), ("\u2126", "ohm"), ("ł", "l"), ("ø", "o"), ("ı", "i")):
        text = text.replace(sign, word)
    return "".join(c for c in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(c))


def _pattern(text: str) -> re.Pattern[str]:
    """Compile a pattern written in ordinary spelling."""
    return re.compile("".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c)))


_HERTZ = _pattern(
    r"(?<![a-z])([kmg]?)hz(?![a-z])|([кмг]?)гц|(千|兆|k|m|g)?(?:赫兹?|ヘルツ|헤르츠)|(kilo|mega|giga)?h[ea]rt[zc](?![a-z])"
)
_MULTIPLES = {
    "k": 1e3, "m": 1e6, "g": 1e9, "к": 1e3, "м": 1e6, "г": 1e9, "千": 1e3, "兆": 1e6, "kilo": 1e3, "mega": 1e6,
    "giga": 1e9,
}  # fmt: skip
NAMES = {1.0: "Hz", 1e3: "kHz", 1e6: "MHz", 1e9: "GHz"}
"""Units of frequency by the hertz they hold."""
_ANGULAR = _pattern(r"rad(?:ians?)?\s*(?:/|per)\s*s|rad\s*\.?\s*s\s*\^?-1|рад\s*/\s*с|omega|(?<![a-z])ω")
_DECIBEL = _pattern(r"(?<![a-z])db(?:ohm)?(?![a-z])|decibel|dezibel|(?<![а-я])дб(?![а-я])|分贝|デシベル|데시벨")
_DEGREES = _pattern(
    r"°|degre|(?<![a-z])degs?(?![a-z])|(?<![a-z])grad(?![a-z])|grad[ioe]|graus|град|度|stopn|aste|derece|μοιρ|(?<![a-z])도"
)
_RADIANS = _pattern(r"(?<![a-z])rad(?![a-z])|radian|рад|弧度|ラジアン|라디안")
_LINEAR = _pattern(
    r"v\s*/\s*v|a\s*/\s*a|(?<![a-z])(?:lin|linear|abs|absolute?|ratio|unitless)(?![a-z])|\(\s*1?\s*\)|\[\s*[1-]?\s*\]|"
    r"линейн|(?<![a-z])[muμ]?ohms?(?![a-z])"
)
_OHMS = re.compile(r"(?<![a-z])([muμ]?)ohms?(?![a-z])")
_SMALL = {"": 1.0, "m": 1e-3, "u": 1e-6, "μ": 1e-6}
_WORDS: tuple[tuple[Role, re.Pattern[str]], ...] = (
    (
        "imaginary",
        _pattern(r"imm?ag|(?<![a-z])im(?![a-z])|мним|虚|urojon|sanal|허수|φανταστ|quadrature|reactan|blindanteil"),
    ),
    (
        "real",
        _pattern(
            r"real|reeel|reel|reaali|(?<![a-z])re(?![a-z])|действ|вещ|实部|実部|rzeczyw|gercek|실수|πραγματ|in-phase"
        ),
    ),
    (
        "phase",
        _pattern(
            r"phas|fas[ei]|faz|fasa|fasi|фаз|相|vaihe|winkel|angle|angolo|angulo|argument|위상|φασ|faaz|vinkel|hoek"
            r"|(?<![a-z])(?:arg|fas|ph|phi|theta|kat|uhel)(?![a-z])|(?<![a-zα-ω])[φϕθ](?![a-zα-ω])|∠|زاوي|טור|פאזה"
        ),
    ),
    (
        "frequency",
        _pattern(
            r"fr[ei][qckgh]|freq|frec|frek|част|频|周波|頻|taajuus|czestotl|kmitoc|주파수|συχνοτ|haufigk|tidni|sagedus"
            r"|dazni|תדר|تردد|ความถี่|tan so|आवृत्ति|(?<![a-z])f(?![a-z])"
        ),
    ),
    (
        "gain",
        _pattern(
            r"gain|magn|betrag|ampl|verst|modul|guadagno|gananc|ganho|усил|модул|ампл|增益|利得|ゲイン|幅|forst|versterk"
            r"|vahvist|wzmoc|zesil|module|kazanc|genlik|이득|크기|κερδ|μετρο|impedan|zout|betrag|castig|eros|pegel|nivel"
            r"|niveau|livello|(?<![a-z])(?:mag|abs|level|ratio|uz)(?![a-z])|\|[^|]*\||(?<![a-z])(?:z|t|h|g|a)(?![a-z])"
        ),
    ),
)
_BESIDE = _pattern(
    r"delay|laufzeit|(?<![a-z])times?(?![a-z])|timestamp|zeit|temps|tiempo|date|datum|coheren|koharen|marg|quality|"
    r"kanal 1|index|"
    r"noise|rausch|(?<![a-z])snr|(?<![a-z])std|dev(?:iation)?(?![a-z])|sigma|error|fehler|uncert|unsicher|"
    r"limit|target|mask|count|"
    r"averag(?:es|ing)|mittelungen|temperat|(?<![a-z])v(?:in|out)(?![a-z])|(?<![a-z])i(?:in|out)(?![a-z])|status|"
    r"(?<![a-z])n°|dbm(?![a-z])|dbv|dbu(?![a-z])|[\[(]\s*[mu]?(?:v|a|s|w|vrms|vpp|vpk)\s*[\])]|bandwidth|bandbreite|(?<![a-z])rbw"
)
_LESS = _pattern(r"ref|mem|input|eingang|(?<![a-z])osc|stimul|source|quelle|ch(?:annel)?\s*[12]|level|start|stop|set")
_UNIT_ONLY = _pattern(
    r"[\[(]?\s*(?:[kmg]?hz|rad/s|db|dbohm|°|degs?|degrees?|grad|rad|radians?|v/v|[muμ]?ohm|lin|1|-|гц|кгц|мгц|дб|град)?\s*[\])]?"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """What a heading says.

    Attributes
    ----------
    role : str or None
        What the column holds; None where the heading does not say.
    unit : str
        Unit as far as the heading gives one: ``kHz``, ``dB``, ``linear``, ``degrees``, ``radians``; empty where it
        does not.
    scale : float
        Hertz in one unit of a frequency [Hz]; ohm in one unit of an impedance [ohm].
    beside : bool
        Whether another column with this role comes first: a reference, a memory, an input level [unitless].
    """

    role: Role | None
    unit: str = ""
    scale: float = 1.0
    beside: bool = False


def is_unit(text: str) -> bool:
    """Whether a cell of a heading is nothing but a unit, or empty.

    Parameters
    ----------
    text : str
        The cell.

    Returns
    -------
    bool
        Whether it is.
    """
    said = folded(text).strip()
    if _UNIT_ONLY.fullmatch(said):
        return True
    worded = any(pattern.search(said) for _, pattern in _WORDS)
    return not worded and len(said) < 12 and bool(heading_of(text).unit)


def heading_of(text: str) -> Heading:
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
    said = folded(text)
    word = next((role for role, pattern in _WORDS if pattern.search(said)), None)
    beside = bool(_LESS.search(said))
    if _BESIDE.search(said) and not (word == "frequency" and _HERTZ.search(said)):
        return Heading(role=None)
    if _ANGULAR.search(said) and word != "phase":
        return Heading(role="frequency", unit="rad/s", scale=0.5 / math.pi, beside=beside)
    hertz = _HERTZ.search(said)
    if hertz is not None and (word in {None, "frequency"} or (word == "gain" and not re.search(r"db|/|sqrt|√", said))):
        scale = _MULTIPLES.get(next((g for g in hertz.groups() if g), ""), 1.0)
        return Heading(role="frequency", unit=NAMES[scale], scale=scale, beside=beside)
    if word == "frequency":
        return Heading(role=word, beside=beside)
    return _value(said, word, beside=beside)


def _value(said: str, word: Role | None, *, beside: bool) -> Heading:
    """Read the heading of a column of values."""
    if _DECIBEL.search(said) and word != "phase":
        return Heading(role="gain", unit="dB", beside=beside)
    if word in {None, "phase"} and _DEGREES.search(said):
        return Heading(role="phase", unit="degrees", beside=beside)
    if word in {None, "phase"} and _RADIANS.search(said):
        return Heading(role="phase", unit="radians", beside=beside)
    ohms = _OHMS.search(said)
    scale = 1.0 if ohms is None else _SMALL[ohms[1]]
    if word is None and ohms is not None:
        word = "gain"
    linear = "linear" if word == "gain" and _LINEAR.search(said) else ""
    return Heading(role=word, unit=linear, scale=scale, beside=beside)


def roles_in_order(text: str) -> list[str]:
    """Split a line of headings whose cells nothing parts, at the words that name a column.

    Parameters
    ----------
    text : str
        The line, such as "Frequency Hz Gain dB Phase deg".

    Returns
    -------
    list of str
        One text for each column word found.
    """
    found: list[str] = []
    for token in text.split():
        here = next((role for role, pattern in _WORDS if pattern.search(folded(token))), None)
        if here is None or is_unit(token):
            if found:
                found[-1] += f" {token}"
        else:
            found.append(token)
    return found
