"""When the arithmetic of a case breaks down: which corner it is, which part is to be suspected, and what to do.

A batch of corners is one numpy call, and numpy says only that something in it failed. So the work is done once more
corner by corner, and the first that fails by itself is named. The text of numpy's own exception is of no use to a
reader; what is told is what the exception means here, and the values of the case that are out of the ordinary.
"""

from __future__ import annotations

from contextlib import contextmanager
from functools import wraps
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import numpy as np

from loopdesign.case.checks.odd import unlikely_values
from loopdesign.errors import CircuitError, ConvergenceError, LoopDesignError, NumericalError, UnreachableOutputError
from loopdesign.network.linear_algebra import BREAKDOWN
from loopdesign.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from loopdesign import case as cases
    from loopdesign.corners.conditions import Corners

Result = TypeVar("Result")
Given = ParamSpec("Given")

_FAILURES = (CircuitError, NumericalError, UnreachableOutputError, *BREAKDOWN)
_SUSPECTS_NAMED = 3
"""Most values that a message points to."""


@contextmanager
def strict() -> Iterator[None]:
    """Let floating-point arithmetic fail where it would otherwise go on with infinities and a warning."""
    with np.errstate(divide="raise", over="raise", invalid="raise"):
        yield


def traced(work: Callable[[Corners], Result], case: cases.Case, corners: Corners, *, what: str) -> Result:
    """Do some work over a batch of corners; where it fails, say at which corner, why, and what to look at.

    Parameters
    ----------
    work
        What to do with a batch of corners; must be able to do it with any single one of them.
    case
        The case.
    corners
        The batch.
    what
        What does not exist where the work fails: "no operating point".

    Returns
    -------
    object
        What the work returns.

    Raises
    ------
    CircuitError, NumericalError, ConvergenceError, UnreachableOutputError
        Naming the file, the corner, the cause and the remedy.
    """
    try:
        with strict():
            return work(corners)
    except _FAILURES as fault:
        if isinstance(fault, LoopDesignError) and _is_named(fault, case):
            raise
        raise _named(_first_failure(work, corners, fault), case, what) from fault


@contextmanager
def named(case: cases.Case, *, what: str) -> Iterator[None]:
    """Name the file in whatever fails within, where no corner can be told.

    Parameters
    ----------
    case
        The case.
    what
        What does not exist where something fails: "no choice of parts".

    Raises
    ------
    CircuitError, NumericalError, ConvergenceError, UnreachableOutputError
        Naming the file, the cause and the remedy.
    """
    try:
        with strict():
            yield
    except _FAILURES as fault:
        if isinstance(fault, LoopDesignError) and _is_named(fault, case):
            raise
        raise _named((fault, ""), case, what) from fault


def names_file(what: str) -> Callable[[Callable[Given, Result]], Callable[Given, Result]]:
    """Do the same for a whole function, whose first argument is a case or has one.

    Parameters
    ----------
    what
        What does not exist where something fails.

    Returns
    -------
    callable
        A decorator.
    """

    def decorate(function: Callable[Given, Result]) -> Callable[Given, Result]:
        @wraps(function)
        def told(*args: Given.args, **kwargs: Given.kwargs) -> Result:
            first: Any = args[0] if args else next(iter(kwargs.values()))
            with named(getattr(first, "case", first), what=what):
                return function(*args, **kwargs)

        return told

    return decorate


def _first_failure(work: Callable[[Corners], Result], corners: Corners, fault: Exception) -> tuple[Exception, str]:
    """Find the first corner at which the work fails by itself, and how; the whole batch where none does."""
    for item in range(len(corners)):
        try:
            with strict():
                work(corners.take(np.array([item])))
        except _FAILURES as alone:
            return alone, f" at {corner_words(corners, item)}"
    return fault, f" for {len(corners)} corners together"


def corner_words(corners: Corners, item: int) -> str:
    """Name a corner, with its temperature where the corners differ in it.

    Parameters
    ----------
    corners
        The batch.
    item
        Position in the batch.

    Returns
    -------
    str
        For example "8 V, 1.2 A" or "8 V, 1.2 A, 85 degC, parts at their tolerances".
    """
    words = f"{corners.input_voltage[item]:.4g} V, {corners.load_current[item]:.3g} A"
    if np.ptp(corners.temperature) > 0.0:
        words += f", {corners.temperature[item]:.3g} degC"
    moved = any(values[item] != 1.0 for values in corners.factors.values())
    return f"{words}, parts at their tolerances" if moved else words


def _is_named(fault: LoopDesignError, case: cases.Case) -> bool:
    """Whether an error names the file already."""
    return bool(case.source) and str(fault).startswith(printable(case.source))


def _named(failure: tuple[Exception, str], case: cases.Case, what: str) -> LoopDesignError:
    """Build the error that names file, corner, cause and remedy."""
    fault, where = failure
    file = f"{printable(case.source)}: " if case.source else ""
    if isinstance(fault, UnreachableOutputError):
        return _out_of_reach(fault, case, file)
    cause = _cause(fault)
    head = f"{file}{cause}" if cause.startswith(what) else f"{file}{what}{where}: {cause}"
    if isinstance(fault, CircuitError):
        return CircuitError(head)
    sentence = f"{head}; {_remedy(case)}"
    return ConvergenceError(sentence) if isinstance(fault, ConvergenceError) else NumericalError(sentence)


def _out_of_reach(fault: UnreachableOutputError, case: cases.Case, file: str) -> LoopDesignError:
    """Name the file; where not even the sign of the output is right, the period is too long for the parts."""
    if fault.highest_output <= 0.0:
        return NumericalError(
            f"{file}no operating point at {fault.input_voltage:.4g} V, {fault.load_current:.3g} A: currents and "
            f"voltages swing so far within one period that no duty gives {fault.target:.4g} V; raise the frequency "
            f"({case.where('converter.switching_frequency')}), the inductances or the output capacitance"
        )
    return UnreachableOutputError(
        f"{file}{fault}",
        input_voltage=fault.input_voltage,
        load_current=fault.load_current,
        target=fault.target,
        highest_output=fault.highest_output,
        duty=fault.duty,
    )


def _cause(fault: Exception) -> str:
    """Say what an exception means for the reader."""
    if isinstance(fault, LoopDesignError):
        return str(fault)
    if isinstance(fault, np.linalg.LinAlgError):
        return "its equations have no unique solution"
    return "its numbers become too large to compute with"


def _remedy(case: cases.Case) -> str:
    """Point to the values that are out of the ordinary, or say that none is."""
    unlikely = [(key, text.split(";")[0]) for key, text in unlikely_values(case)][:_SUSPECTS_NAMED]
    if not unlikely:
        return "no single value is out of the ordinary, so check that the parts suit the switching frequency"
    values = ", and at ".join(f"{case.where(key)}: {text}" for key, text in unlikely)
    return f"look first at {values} (m is milli, M is mega)"
