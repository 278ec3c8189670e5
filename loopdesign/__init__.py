"""Close the feedback loop of a switching converter from one text file.

The way through the package, from the file to the verdict:

`load_case`     read a case file, all errors at once
`check`         given parts at every corner: operating point, plant, exact loop gain, margins with their verdict
`design`        the open parts, the best of the whole lattice of preferred values
`response`      numbers at given frequencies, by the switched or the averaged model
`step`          load and line steps, cycle by cycle
`spread`        Monte Carlo over tolerances
`study_filter`  the input filter against the converter

Each lives in a module of its own and is imported when it is asked for; the engine below (`circuit`, `steady`,
`switched`, `averaged` ...) is open to use as well. DEVELOPERS.md maps the house.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loopdesign.analysis.check import check
    from loopdesign.analysis.filter_study import filter_study as study_filter
    from loopdesign.analysis.responses import response
    from loopdesign.analysis.spread import spread
    from loopdesign.analysis.transient import step
    from loopdesign.case import load_case
    from loopdesign.synthesis.choice.choose import choose as design

__all__ = ["check", "design", "load_case", "response", "spread", "step", "study_filter"]

_ROOMS = {
    "check": ("analysis.check", "check"),
    "design": ("synthesis.choice", "choose"),
    "load_case": ("case", "load_case"),
    "response": ("analysis.responses", "response"),
    "spread": ("analysis.spread", "spread"),
    "step": ("analysis.transient", "step"),
    "study_filter": ("analysis.filter_study", "filter_study"),
}


def __getattr__(name: str) -> Any:  # noqa: ANN401  (whatever the module holds)
    """Import what is asked for, so that the command line starts without the heavy libraries."""
    if name not in _ROOMS:
        raise AttributeError(f"module 'loopdesign' has no attribute {name!r}")
    room, function = _ROOMS[name]
    return getattr(import_module(f"loopdesign.{room}"), function)
