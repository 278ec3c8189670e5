"""The text of a case file: read within bounds and from an ordinary file only, or refused in a sentence."""

from __future__ import annotations

import difflib
import hashlib
import os
import re
import stat
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

from loopdesign.errors import CaseError, Fault

BEGIN = "loopdesign start sepic writes a commented case file to begin from"
LARGEST_FILE = 1_000_000
"""Largest case file that is read [bytes]; those of the trade have a few thousand."""
LONGEST_LINE = 10_000
"""Longest line of a case file [characters]."""
MOST_DOTS = 100
"""Most dots between two signs of a line: the reader's work grows with the square of the parts of a dotted key."""
MOST_NEIGHBOURS = 1_000
"""Most files of the same folder looked at for a near name."""
_SIGNS = re.compile(r"[=,{}\[\]#]")
_KINDS = (
    (stat.S_ISDIR, "this is a folder"),
    (stat.S_ISFIFO, "this is a pipe"),
    (stat.S_ISCHR, "this is a device"),
    (stat.S_ISBLK, "this is a device"),
    (stat.S_ISSOCK, "this is a socket"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseFile:
    """A case file as it was read.

    Attributes
    ----------
    path
        The file, as the user named it.
    text
        What stands in it, without a byte-order mark.
    sha256
        SHA-256 of its bytes, in hexadecimal.
    """

    path: str
    text: str
    sha256: str

    @property
    def name(self) -> str:
        """Name of the file without its folder."""
        return Path(self.path).name


def read_text(path: Path | str) -> str:
    """Read the text of a case file, without a byte-order mark.

    Parameters
    ----------
    path : Path or str
        The file.

    Returns
    -------
    str
        Its text.

    Raises
    ------
    CaseError
        There is no such file, it is not an ordinary file, it is too large, or it is not UTF-8.
    """
    return read_file(path).text


def read_file(path: Path | str) -> CaseFile:
    """Read a case file and keep what tells it from any other.

    Parameters
    ----------
    path : Path or str
        The file.

    Returns
    -------
    CaseFile
        Its text and the SHA-256 of its bytes.

    Raises
    ------
    CaseError
        There is no such file, it is not an ordinary file, it is too large, or it is not UTF-8.
    """
    name = str(path)
    data = _read_bytes(Path(path), name)
    if len(data) > LARGEST_FILE:
        raise _refused(name, f"the file is larger than {LARGEST_FILE // 1_000_000} MB", expected="a case file (TOML)")
    try:
        return CaseFile(path=name, text=data.decode("utf-8-sig"), sha256=hashlib.sha256(data).hexdigest())
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        column = error.start - (data.rfind(b"\n", 0, error.start) + 1) + 1
        fault = Fault(
            file=name,
            line=line,
            column=column,
            message="the file is not UTF-8 text",
            found=f"the byte 0x{data[error.start]:02x}",
            hint="save it with the encoding UTF-8",
        )
        raise CaseError([fault]) from None


def refuse_long_lines(text: str, name: str) -> None:
    """Refuse lines so long that reading them could take for ever.

    Parameters
    ----------
    text : str
        Text of the case file.
    name : str
        Name of the file, for the message.

    Raises
    ------
    CaseError
        Names the line.
    """
    faults = []
    for row, line in enumerate(text.split("\n"), 1):
        if len(line) > LONGEST_LINE:
            message = f"the line is longer than {LONGEST_LINE} characters"
            faults.append(Fault(file=name, line=row, column=1, message=message, found=f"{len(line)} characters"))
        elif line.count(".") > MOST_DOTS and any(part.count(".") > MOST_DOTS for part in _SIGNS.split(line)):
            faults.append(Fault(file=name, line=row, column=1, message=f"more than {MOST_DOTS} dots in a row"))
    if faults:
        raise CaseError(faults[:20])


def _read_bytes(path: Path, name: str) -> bytes:
    """Read one byte more than the largest file; anything but an ordinary file is not read at all."""
    try:
        # without waiting: opening a pipe would otherwise stand still until somebody writes into it
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
        with open(handle, "rb") as file:  # noqa: PTH123  (a descriptor has no path)
            kind = os.fstat(handle).st_mode
            for is_kind, words in _KINDS:
                if is_kind(kind):
                    raise _refused(name, words, expected="a case file (TOML)")
            return file.read(LARGEST_FILE + 1)
    except FileNotFoundError:
        raise _refused(name, "there is no such file", hint=_near(path)) from None
    except IsADirectoryError:
        raise _refused(name, "this is a folder", expected="a case file (TOML)") from None
    except OSError as error:
        raise _refused(name, f"cannot be read: {error.strerror}") from None
    except ValueError:  # a zero byte, which no file name can hold
        raise _refused(name, "this cannot be the name of a file") from None


def _near(path: Path) -> str:
    """Offer files of the same folder with a similar name."""
    others = [other.name for other in islice(path.parent.glob("*.toml"), MOST_NEIGHBOURS)]
    near = difflib.get_close_matches(path.name, others, n=3)
    return f"did you mean {', '.join(near)}?" if near else BEGIN


def _refused(name: str, message: str, *, expected: str = "", hint: str = "") -> CaseError:
    """Build the error for the file as a whole."""
    return CaseError([Fault(file=name, message=message, expected=expected, hint=hint)])
