"""Replacing a report folder by a complete new one, so that a kill at any moment leaves the old one or the new one.

The new folder is filled in a workshop beside the place, ``.loopdesign-<place>-<random>/fresh``, and then trades
places with the old one in one step (``renameat2`` with ``RENAME_EXCHANGE``, Linux). Where the file system cannot do
that, the old one is renamed into the workshop and the new one into its place; a run killed between the two is put
right by the next one, which finds both in the workshop. Whatever a killed run left behind is removed by the next run
that writes to the same place. A workshop in use is known by a lock on it, which the system lifts when its process
ends, however it ends.
"""

from __future__ import annotations

import ctypes
import errno
import hashlib
import json
import os
import re
import shutil
import sys
import tempfile
from contextlib import contextmanager, suppress
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopdesign.errors import DataError
from loopdesign.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping

try:
    import fcntl
except ImportError:  # no such locks on this system: leftovers of killed runs stay where they are
    fcntl = None  # type: ignore[assignment]

MARK = "loopdesign"
"""Key of ``report.json`` by which a folder is known as a report that may be replaced."""
HEAD = 1 << 16
"""Characters at the beginning of ``report.json`` among which its mark is looked for first; the file holds megabytes."""
_BEGINS = re.compile(rf'\{{\s*"{MARK}"\s*:\s*')
FRESH, OLD = "fresh", "old"
_EXCHANGE = 2
_HERE = -100
_CANNOT_EXCHANGE = {errno.ENOSYS, errno.EINVAL, errno.EOPNOTSUPP, errno.EPERM}


def require_replaceable(folder: Path) -> None:
    """Put right what a killed run left, and refuse a place that holds something other than a report or an empty folder.

    Parameters
    ----------
    folder
        Where a report is to go.

    Raises
    ------
    DataError
        Says what is there and what to do.
    """
    name = printable(str(folder))
    if "\0" in str(folder):
        raise DataError(f"{name} cannot be the name of a folder")
    with suppress(OSError), _locked(folder.parent):
        _clear(folder)
    try:
        if folder.is_symlink():
            raise DataError(f"{name} is a link; name the folder itself with --output")
        if not folder.exists():
            return
        if not folder.is_dir():
            raise DataError(f"{name} is a file; name another folder with --output")
        if any(folder.iterdir()) and MARK not in _marked(folder):
            raise DataError(f"{name} exists and is not a report of this program; name another folder with --output")
    except OSError as fault:
        raise DataError(f"{name} cannot be used: {fault.strerror}; name another folder with --output") from None


def replace(folder: Path, fill: Callable[[Path], None]) -> None:
    """Fill a fresh folder beside the old one and let them trade places.

    Parameters
    ----------
    folder
        Where the report goes. Files of an old report are replaced; whatever else lay beside them is kept.
    fill
        Writes every file of the report into the folder it is given.

    Raises
    ------
    DataError
        Where the folder exists and is not a report, or cannot be written.
    """
    require_replaceable(folder)
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with _workshop(folder) as workshop:
            fresh = workshop / FRESH
            fresh.mkdir()
            fill(fresh)
            _keep_others(folder, fresh)
            _swap(folder, fresh, workshop / OLD)
    except OSError as fault:
        cause = fault.strerror or "files beside the report cannot be copied"
        raise DataError(f"the report cannot be written to {printable(str(folder))}: {cause}") from None


@contextmanager
def _workshop(folder: Path) -> Iterator[Path]:
    """Make a locked folder beside the place, and remove it with all it holds at the end."""
    with _locked(folder.parent):
        workshop = Path(tempfile.mkdtemp(prefix=_prefix(folder), dir=folder.parent))
        lock = _lock(workshop)
    try:
        yield workshop
    finally:
        shutil.rmtree(workshop, ignore_errors=True)
        if lock is not None:
            os.close(lock)


def _clear(folder: Path) -> None:
    """Finish or undo what killed runs left beside the place: the caller holds the lock of the folder around it."""
    if fcntl is None:
        return
    for workshop in folder.parent.glob(f"{_prefix(folder)}*"):
        lock = _lock(workshop)
        if lock is None:  # another run is at work in there
            continue
        if not os.path.lexists(folder) and (workshop / OLD).is_dir():
            complete = (workshop / FRESH) if _whole(workshop / FRESH) else (workshop / OLD)
            complete.rename(folder)
        shutil.rmtree(workshop, ignore_errors=True)
        os.close(lock)


def _prefix(folder: Path) -> str:
    """Begin the name of every workshop of one place; a digest, since the place's own name may be as long as can be."""
    return f".loopdesign-{hashlib.blake2s(os.fsencode(folder.name), digest_size=6).hexdigest()}-"


def _lock(folder: Path) -> int | None:
    """Lock a folder for this process without waiting; None where another one holds it, or it is not a folder."""
    if fcntl is None:
        return None
    try:
        handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        os.close(handle)
        return None
    return handle


@contextmanager
def _locked(folder: Path) -> Iterator[None]:
    """Wait for the lock of a folder, held for moments only; go on without where the file system knows no locks."""
    if fcntl is None:
        yield
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        with suppress(OSError):
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _marked(folder: Path) -> Mapping[str, Any]:
    """Mark in the folder's report.json under its key, empty where there is none."""
    path = folder / "report.json"
    try:
        known = path.stat()
        return _mark_of(path, known.st_ino, known.st_size, known.st_mtime_ns)
    except (OSError, ValueError, RecursionError):
        return {}


@lru_cache(maxsize=4)
def _mark_of(path: Path, *_: int) -> Mapping[str, Any]:
    """Read the mark of a file that is as large and as old as given: once, and from its beginning if it stands there."""
    with path.open(encoding="utf-8") as file:
        head = file.read(HEAD)
    begins = _BEGINS.match(head)
    if begins:
        with suppress(ValueError):
            return {MARK: json.JSONDecoder().raw_decode(head, begins.end())[0]}
    content = json.loads(path.read_text(encoding="utf-8"))
    return {MARK: content[MARK]} if isinstance(content, dict) and MARK in content else {}


def _whole(folder: Path) -> bool:
    """Tell whether the folder's report.json is all there, with its mark."""
    try:
        content = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return False
    return isinstance(content, dict) and MARK in content


def _keep_others(folder: Path, fresh: Path) -> None:
    """Link or copy what lies in the old folder and is not the report's own."""
    if not folder.is_dir():
        return
    shutil.copymode(folder, fresh)
    mark = _marked(folder).get(MARK)
    listed = mark.get("files") if isinstance(mark, dict) else None
    own = set(map(str, listed)) if isinstance(listed, list) else set()
    for path in folder.iterdir():
        if path.name in own or (fresh / path.name).exists():
            continue
        if path.is_dir() and not path.is_symlink():
            shutil.copytree(path, fresh / path.name, symlinks=True, copy_function=_keep)
        else:
            _keep(str(path), str(fresh / path.name))


def _keep(source: str, target: str) -> str:
    """Give a file its second name, which neither copies it nor waits for a pipe; copy it where links are unknown."""
    try:
        os.link(source, target, follow_symlinks=False)
    except OSError:
        shutil.copy2(source, target, follow_symlinks=False)
    return target


def _swap(folder: Path, fresh: Path, old: Path) -> None:
    """Put the fresh folder in place; the old one goes back where that fails."""
    if not folder.exists():
        fresh.rename(folder)
        return
    if _exchange(fresh, folder):
        return
    folder.rename(old)
    try:
        fresh.rename(folder)
    except OSError:
        old.rename(folder)
        raise


def _exchange(first: Path, second: Path) -> bool:
    """Let two folders trade places in one step; False where this system or file system cannot."""
    if sys.platform != "linux":
        return False
    library = ctypes.CDLL(None, use_errno=True)
    if not hasattr(library, "renameat2"):
        return False
    if library.renameat2(_HERE, os.fsencode(first), _HERE, os.fsencode(second), _EXCHANGE) == 0:
        return True
    code = ctypes.get_errno()
    if code in _CANNOT_EXCHANGE:
        return False
    raise OSError(code, os.strerror(code))
