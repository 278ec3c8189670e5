"""From the bytes of a file to its lines; what is not delimited text is refused by its kind."""

from __future__ import annotations

import re
from pathlib import Path

from loopdesign.errors import DataError
from loopdesign.printable import printable

LARGEST_FILE = 500_000_000
"""Most bytes of a file of measured data."""
_MARKS = {b"\xef\xbb\xbf": "utf-8-sig", b"\xff\xfe": "utf-16", b"\xfe\xff": "utf-16"}
_SPREADSHEETS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")
_PORTS = re.compile(r"^\s*#\s*(?:[kmg]?hz\s+)?[syzhg]\s+(?:ma|db|ri)\b", re.IGNORECASE | re.MULTILINE)
_SUFFIX = re.compile(r"\.(?:s\d+p|ts)$", re.IGNORECASE)
_LINE_END = re.compile(r"\r\n|\r|\n")


def text_lines(path: Path | str, wanted: str = "a table of frequency, gain and phase") -> list[str]:
    """Read the lines of a file of delimited text.

    Parameters
    ----------
    path : Path or str
        The file.
    wanted : str
        What the file should hold, for messages.

    Returns
    -------
    list of str
        Lines without their ends, in any of the usual encodings and line ends.

    Raises
    ------
    DataError
        Where the file cannot be read, is empty, or is not delimited text.
    """
    name = printable(str(path))
    content = _bytes(Path(path), name)
    if not content.strip():
        raise DataError(f"{name}: the file is empty; expected {wanted}")
    if content.startswith(_SPREADSHEETS):
        raise DataError(f"{name}: this is a spreadsheet; export the table as delimited text (CSV) and give that")
    text = _decoded(content, name)
    if _SUFFIX.search(str(path)) or _PORTS.search(text[:20_000]) or "[Version]" in text[:2000]:
        raise DataError(
            f"{name}: this is a file of network parameters (Touchstone), not of a loop gain; "
            "export frequency, gain and phase as delimited text"
        )
    return _LINE_END.split(text)


def _bytes(path: Path, name: str) -> bytes:
    """Read an ordinary file of sensible size."""
    try:
        if not path.exists():
            raise DataError(f"{name}: there is no such file")
        if not path.is_file():
            raise DataError(f"{name}: this is not an ordinary file; expected a file of delimited text")
        if path.stat().st_size > LARGEST_FILE:
            raise DataError(f"{name}: the file is larger than {LARGEST_FILE // 1_000_000} MB")
        return path.read_bytes()
    except (OSError, ValueError) as fault:
        reason = getattr(fault, "strerror", None) or "its name cannot be used"
        raise DataError(f"{name}: the file cannot be read: {reason}") from None


def _decoded(content: bytes, name: str) -> str:
    """Decode by the mark at the beginning, as UTF-8, or as the Western code page that instruments use."""
    encoding = next((e for mark, e in _MARKS.items() if content.startswith(mark)), None)
    head = content[:4096]
    if encoding is None and b"\x00" in head:
        even, odd = head[0::2].count(0), head[1::2].count(0)
        half = 0.3 * len(head) / 2.0
        encoding = "utf-16-le" if odd > half > 8 * even else "utf-16-be" if even > half > 8 * odd else None
        if encoding is None:
            raise DataError(f"{name}: this is a binary file; export the measurement as delimited text (CSV)")
    try:
        text = content.decode(encoding or "utf-8")
    except UnicodeDecodeError:
        if encoding not in {None, "utf-8-sig"}:
            raise DataError(f"{name}: the text is damaged; export the measurement again") from None
        text = content.decode("cp1252", "replace")
    odd = sum(not c.isprintable() and c not in "\t\r\n\f\x1a" for c in text[:4096])
    if odd > 0.02 * min(len(text), 4096) + 1:
        raise DataError(f"{name}: this is a binary file; export the measurement as delimited text (CSV)")
    return text.replace("\x00", "").replace("\x1a", "")
