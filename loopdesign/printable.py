r"""Text that is safe to show: what files, names and keys contain cannot steer a terminal or reorder a line.

A title, a key, a file name or a line of a case file may hold control characters (a terminal obeys the escape
sequences among them), characters that reverse the direction of the text around them, and invisible ones. Wherever text
leaves the program it passes through here, and such characters appear as ``\x1b`` or ``\u202e`` instead. The same
letters in JSON become escapes of JSON, so that a machine reads back exactly what the file said.

The characters: control (Unicode category Cc), format characters that are invisible or reorder text (Cf; the
bidirectional controls are those of Unicode Standard Annex 9), line and paragraph separators (Zl, Zp) and halves of
surrogate pairs (Cs), which stand for undecodable bytes of a file name. The joiners U+200C and U+200D are kept: several
scripts are written with them.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

_UNSAFE = (
    "\x7f-\x9f\xad\u061c\u180e\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ud800-\udfff\ufeff\ufff9-\ufffb"
    "\U0001bca0-\U0001bca3\U0001d173-\U0001d17a\U000e0000-\U000e007f"
)
_IN_A_LINE = re.compile(f"[\x00-\x1f{_UNSAFE}]")
_IN_LINES = re.compile(f"[\x00-\x08\x0b-\x1f{_UNSAFE}]")
_IN_JSON = re.compile(f"[{_UNSAFE}]")
LONGEST_PIECE = 200
"""Longest piece of foreign text that a message repeats [characters]."""


def printable(text: str) -> str:
    r"""Make one piece of text safe to show within a line.

    Parameters
    ----------
    text : str
        Any text, such as a title, a key or a file name.

    Returns
    -------
    str
        The text with every unsafe character, line breaks and tabs included, written as an escape such as ``\x1b``.
    """
    return _IN_A_LINE.sub(_escape, text)


def printable_lines(text: str) -> str:
    """Make text of several lines safe to show; line breaks and tabs stay.

    Parameters
    ----------
    text : str
        Any text.

    Returns
    -------
    str
        The text with every other unsafe character written as an escape.
    """
    return _IN_LINES.sub(_escape, text)


def excerpt(text: str) -> str:
    """Make a piece of foreign text safe to show and short enough to repeat in a message.

    Parameters
    ----------
    text : str
        Any text, such as a value that a case file holds.

    Returns
    -------
    str
        At most `LONGEST_PIECE` characters of it, with three dots where something was left out.
    """
    return printable(text if len(text) <= LONGEST_PIECE else f"{text[: LONGEST_PIECE - 3]}...")


def json_text(answer: object, *, ascii_only: bool = False, rows: bool = False) -> str:
    r"""Write an answer as JSON whose text cannot steer a terminal either.

    Parameters
    ----------
    answer : object
        What `json.dumps` takes; NaN and infinity are refused.
    ascii_only : bool
        Escape everything beyond ASCII, for an output that cannot show it.
    rows : bool
        Write each list of numbers in one line; the keys of every object are strings then.

    Returns
    -------
    str
        JSON over several lines. Unsafe characters appear as ``\u`` escapes, which a reader turns back.
    """
    if rows:
        pieces: list[str] = []
        _write(answer, "\n", pieces, json.JSONEncoder(allow_nan=False, ensure_ascii=ascii_only).encode)
        return "".join(pieces)
    return _safe_json(json.dumps(answer, indent=1, allow_nan=False, ensure_ascii=ascii_only))


def _write(value: object, line: str, pieces: list[str], encode: Callable[[object], str]) -> None:
    """Write one value: objects and lists over several lines, a list of numbers and whatever is empty in one.

    The encoder of the standard library is compiled only where it writes no line breaks, so it gets what has none. Lists
    of numbers go through that of pydantic, which takes a tenth of the time for them.
    """
    inner = f"{line} "
    if isinstance(value, dict) and value:
        before = "{"
        for key, inside in value.items():
            pieces.append(f"{before}{inner}{_safe_json(encode(str(key)))}: ")
            _write(inside, inner, pieces, encode)
            before = ","
        pieces.append(f"{line}}}")
    elif isinstance(value, list | tuple) and value and not _numbers(value):
        before = "["
        for inside in value:
            pieces.append(f"{before}{inner}")
            _write(inside, inner, pieces, encode)
            before = ","
        pieces.append(f"{line}]")
    elif isinstance(value, list | tuple) and value:
        pieces.append(_numbers_text(value))
    else:
        text = encode(value)
        pieces.append(_safe_json(text) if isinstance(value, str) else text)


def _numbers_text(values: Sequence[object]) -> str:
    """Write a list of numbers in one line, each with the digits that tell it from its neighbours."""
    from pydantic_core import to_json  # noqa: PLC0415  (only where an answer is long)

    text = to_json(values, inf_nan_mode="constants").decode()
    if "N" in text or "I" in text:  # NaN, Infinity: the encoder of the standard library refuses them
        return json.dumps(values, allow_nan=False)
    return text.replace(",", ", ")


def _numbers(values: Sequence[object]) -> bool:
    """Whether a list holds numbers and nothing else."""
    return all(issubclass(kind, int | float) and kind is not bool for kind in set(map(type, values)))


def _safe_json(text: str) -> str:
    """Escape what could steer a terminal."""
    return _IN_JSON.sub(lambda match: json.dumps(match.group())[1:-1], text)


def _escape(match: re.Match[str]) -> str:
    code = ord(match.group())
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
