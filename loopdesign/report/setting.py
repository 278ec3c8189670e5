"""Pages set by typst from files that are given, and from nothing else.

typst keeps in the memory of its process what a layout depends on and what became of it. A document that differs from an
earlier one in a few of its files is therefore set in a fraction of the time, as long as what changes comes in files: on
values of `sys.inputs` every part of a document depends. The bytes are the same either way.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping


def set_document(files: Mapping[str, bytes]) -> bytes:
    """Set a PDF document.

    Parameters
    ----------
    files
        Contents by name: ``main.typ`` and what it reads.

    Returns
    -------
    bytes
        The file; the same for the same files, without a date of its own. Fonts are those that come with the binding.
    """
    import typst  # noqa: PLC0415  (only where a document is written)

    given: Any = dict(files)  # the types that typst declares leave a mapping of files out
    return bytes(typst.compile(given, format="pdf", ignore_system_fonts=True, timestamp=0))
