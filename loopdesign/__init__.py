"""Close the feedback loop of a switching converter from one text file.

The way through the package, from the file to the verdict::

    import loopdesign as ld
    case = ld.load_case("supply.toml")
    examined = ld.check(case)
    print(examined)

`load_case`  read a case file, all errors at once
`check`      given parts at every corner: operating point, plant, exact loop gain, margins with their verdict
`design`     the open parts: the best combination of preferred values
`response`   numbers at given frequencies, by the switched or the averaged model
`step`       load and line steps, cycle by cycle
`spread`     Monte Carlo over tolerances
`sweep`      margins and verdict against one or two quantities of a case
`loads`      every load over the input voltages, from the lightest to a short
`compare`    two or more cases side by side
`size`       the smallest of the case's candidates with which the best compensation meets every target
`bench`      a measured response against the prediction, and parts refined until the two meet

A case is given as `load_case` returns it or as the path of its file, a part as a number in SI units or as text such as
"10 kohm". Each function returns a result that prints as a few lines, shows itself in a notebook, becomes rows for a
data frame (``to_rows()``) and figures (``plot()``): `Check` with one `CornerResult` per corner, `Design`, `Response`,
`Steps` with one `StepResult` per step, `StartUps`, `Spread`, `Sweep`, `Loads`, `Compared`, `Size`, `Bench`; a check
with an input filter has a `FilterCheck`. `Case` is the case itself.

`Workers` and `Cluster` are executors that `spread`, `sweep` and `size` take: processes here, or an existing cluster.

Every error a caller can meet derives from `LoopDesignError`: `CaseError`, `QuantityError`, `CircuitError`, `DataError`,
`UsageError`, `MissingLibraryError`, `UnreachableOutputError`, `NoDesignError`, `PlacementError`,
`NumericalError`, `ConvergenceError`.

Everything is imported when it is asked for. The rooms below (`loopdesign.models`, `loopdesign.margins` ...) are open to
use as well; DEVELOPERS.md maps the house and lists names, symbols and units.
"""

from __future__ import annotations

import sys
from importlib import import_module
from types import ModuleType
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from loopdesign.analysis.findings.corner import CornerResult
    from loopdesign.analysis.transient.steps import StepResult
    from loopdesign.case import Case, load_case
    from loopdesign.errors import (
        CaseError,
        CircuitError,
        ConvergenceError,
        DataError,
        LoopDesignError,
        MissingLibraryError,
        NoDesignError,
        NumericalError,
        PlacementError,
        QuantityError,
        UnreachableOutputError,
        UsageError,
    )
    from loopdesign.front.bench import Bench, bench
    from loopdesign.front.check import Check, check
    from loopdesign.front.design import Design, design
    from loopdesign.front.explore.compare import Compared, compare
    from loopdesign.front.explore.loads import Loads, loads
    from loopdesign.front.explore.size import Size, size
    from loopdesign.front.explore.sweep import Sweep, sweep
    from loopdesign.front.filter import FilterCheck
    from loopdesign.front.response import Response, response
    from loopdesign.front.spread import Spread, spread
    from loopdesign.front.step import StartUps, Steps, step
    from loopdesign.workers.cluster import Cluster
    from loopdesign.workers.processes import Workers

__version__ = "0.1.0"

__all__ = [
    "Bench",
    "Case",
    "CaseError",
    "Check",
    "CircuitError",
    "Cluster",
    "Compared",
    "ConvergenceError",
    "CornerResult",
    "DataError",
    "Design",
    "FilterCheck",
    "Loads",
    "LoopDesignError",
    "MissingLibraryError",
    "NoDesignError",
    "NumericalError",
    "PlacementError",
    "QuantityError",
    "Response",
    "Size",
    "Spread",
    "StartUps",
    "StepResult",
    "Steps",
    "Sweep",
    "UnreachableOutputError",
    "UsageError",
    "Workers",
    "__version__",
    "bench",
    "check",
    "compare",
    "design",
    "load_case",
    "loads",
    "response",
    "size",
    "spread",
    "step",
    "sweep",
]

_MODULES = {
    "analysis.findings.corner": ("CornerResult",),
    "analysis.transient.steps": ("StepResult",),
    "case": ("Case", "load_case"),
    "errors": (
        "CaseError", "CircuitError", "ConvergenceError", "DataError", "LoopDesignError", "MissingLibraryError",
        "NoDesignError", "NumericalError", "PlacementError", "QuantityError", "UnreachableOutputError", "UsageError",
    ),
    "front.bench": ("Bench", "bench"),
    "front.check": ("Check", "check"),
    "front.design": ("Design", "design"),
    "front.filter": ("FilterCheck",),
    "front.response": ("Response", "response"),
    "front.spread": ("Spread", "spread"),
    "front.step": ("StartUps", "Steps", "step"),
    "front.explore.compare": ("Compared", "compare"),
    "front.explore.size": ("Size", "size"),
    "front.explore.loads": ("Loads", "loads"),
    "front.explore.sweep": ("Sweep", "sweep"),
    "workers.cluster": ("Cluster",),
    "workers.processes": ("Workers",),
}  # fmt: skip
"""Where each public name lives."""


def __getattr__(name: str) -> Any:  # noqa: ANN401  (whatever the module holds)
    """Import what is asked for, so that the command line starts without the heavy libraries."""
    for module, names in _MODULES.items():
        if name in names:
            value = getattr(import_module(f"loopdesign.{module}"), name)
            globals()[name] = value
            return value
    import difflib  # noqa: PLC0415  (only where a name is wrong)

    near = difflib.get_close_matches(name, __all__, n=2, cutoff=0.6)
    hint = f"; did you mean {' or '.join(near)}?" if near else ""
    raise AttributeError(f"module 'loopdesign' has no attribute {name!r}{hint}")


class _Package(ModuleType):
    """The package: its name `bench` is the function, also after the room of that name has been imported."""

    def __setattr__(self, name: str, value: object) -> None:
        """Set an attribute, unless it is the import system that binds the room in the place of the function."""
        if name != "bench" or not isinstance(value, ModuleType):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __dir__() -> list[str]:
    """List the public names."""
    return sorted(__all__)
