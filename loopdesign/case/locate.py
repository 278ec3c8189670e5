"""Where each key of a TOML file stands.

No TOML library tells the line of a value, so this scans a text that is already known to be valid TOML and maps each key
path to its place. It therefore only has to know where keys and values begin and end, not what they mean.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

Path = tuple[str | int, ...]
Place = tuple[int, int]

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_KEY = re.compile(r'"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'|[A-Za-z0-9_-]+')
_STRING = re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'', re.DOTALL)
_SCALAR = re.compile(r"[^,\]}\n#]*")


@dataclass(frozen=True, slots=True, kw_only=True)
class Places:
    """Where each key of one file stands; two cases with the same values are equal wherever these stand.

    Parameters
    ----------
    of : mapping
        What `locate` returned.
    """

    of: Mapping[Path, Place] = field(default_factory=dict, compare=False, repr=False)

    def __getitem__(self, key: str) -> Place | None:
        """Return the place of a dotted key, or of the nearest table around it; None where the file has neither."""
        path = tuple(int(step) if step.isdigit() else step for step in key.split("."))
        return place_of(self.of, path)


def locate(text: str) -> dict[Path, Place]:
    """Map each key path to the line and column of its key.

    Parameters
    ----------
    text : str
        Valid TOML, without byte-order mark.

    Returns
    -------
    dict
        ``("stage", "Co", 0, "esr") -> (line, column)``, both counted from 1. Entries of a list have the place of
        their value; tables have the place of their header or first mention.
    """
    scanner = _Scanner(text)
    scanner.document()
    return scanner.places


def place_of(places: Mapping[Path, Place], path: Path) -> Place | None:
    """Return the place of a key, or of the nearest table around it when the key itself is missing.

    Parameters
    ----------
    places : mapping
        What `locate` returned.
    path : tuple of str and int
        Path of the key.

    Returns
    -------
    (int, int) or None
        Line and column; None when not even the outermost table is there.
    """
    for length in range(len(path), 0, -1):
        if path[:length] in places:
            return places[path[:length]]
    return None


class _Scanner:
    """One pass over a valid TOML text.

    Parameters
    ----------
    text : str
        The text.
    """

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.places: dict[Path, Place] = {}
        self._lines = [0, *(match.end() for match in re.finditer("\n", text))]
        self._counts: dict[Path, int] = {}

    def document(self) -> None:
        """Scan the whole text."""
        table: Path = ()
        while True:
            self._skip(_BLANK)
            if self.at >= len(self.text):
                return
            if self.text[self.at] == "[":
                table = self._header()
            else:
                self._pair(table)

    def _header(self) -> Path:
        """Scan ``[a.b]`` or ``[[a.b]]`` and return the path of the table that begins."""
        start = self.at
        several = self.text.startswith("[[", self.at)
        self.at += 2 if several else 1
        names = [name for name, _ in self._key()]
        self.at += 2 if several else 1
        path: Path = ()
        for index, name in enumerate(names):
            path = (*path, name)
            if several and index == len(names) - 1:
                self._mark(path, start)
                self._counts[path] = self._counts.get(path, 0) + 1
            if path in self._counts:
                path = (*path, self._counts[path] - 1)
            self._mark(path, start)
        return path

    def _pair(self, table: Path) -> None:
        """Scan ``key = value`` within a table."""
        path = table
        for name, start in self._key():
            path = (*path, name)
            self._mark(path, start)
        self.at += 1  # the equals sign
        self._skip(_SPACE)
        self._value(path)

    def _key(self) -> list[tuple[str, int]]:
        """Scan a dotted key up to the sign after it; return each part with its start."""
        parts = []
        while True:
            self._skip(_SPACE)
            start = self.at
            word = self._skip(_KEY)
            parts.append((next(iter(tomllib.loads(f"{word} = 0"))) if word[:1] in {'"', "'"} else word, start))
            self._skip(_SPACE)
            if self.text[self.at : self.at + 1] != ".":
                return parts
            self.at += 1

    def _value(self, path: Path) -> None:
        """Scan one value, and what lies within it."""
        first = self.text[self.at : self.at + 1]
        if first in {'"', "'"}:
            self._skip(_STRING)
        elif first == "[":
            self._list(path)
        elif first == "{":
            self._inline_table(path)
        else:
            self._skip(_SCALAR)

    def _list(self, path: Path) -> None:
        """Scan a list."""
        self.at += 1
        index = 0
        while True:
            self._skip(_BLANK)
            if self.text[self.at] == "]":
                self.at += 1
                return
            self._mark((*path, index), self.at)
            self._value((*path, index))
            index += 1
            self._skip(_BLANK)
            if self.text[self.at] == ",":
                self.at += 1

    def _inline_table(self, path: Path) -> None:
        """Scan an inline table."""
        self.at += 1
        while True:
            self._skip(_BLANK)
            if self.text[self.at] == "}":
                self.at += 1
                return
            self._pair(path)
            self._skip(_BLANK)
            if self.text[self.at] == ",":
                self.at += 1

    def _skip(self, pattern: re.Pattern[str]) -> str:
        """Move past a pattern and return what it matched."""
        match = pattern.match(self.text, self.at)
        if match is None:
            return ""
        self.at = match.end()
        return match.group()

    def _mark(self, path: Path, offset: int) -> None:
        """Note the place of a path, the first time it is met."""
        row = bisect_right(self._lines, offset)
        self.places.setdefault(path, (row, offset - self._lines[row - 1] + 1))
