"""Errors a user can meet, in one tree.

::

    LoopDesignError                  exit status 2 unless stated
    +-- CaseError                2   the case file: every fault at once, with file, line, column and key
    +-- QuantityError            2   one quantity ("10 mH" where a capacitance is wanted); also a ValueError
    +-- CircuitError             2   the network itself: an ideal capacitor loop, a floating node
    +-- DataError                2   measured data or the arguments of a command
    +-- UsageError               2   the words on the command line
    +-- MissingLibraryError      2   an optional library that is not installed; also an ImportError
    +-- UnreachableOutputError   3   losses keep the output below its target at every duty
    +-- NoDesignError            3   no combination of parts meets the targets
    +-- PlacementError           3   a crossover and phase margin that a network cannot give; also a ValueError
    +-- NumericalError           3   the arithmetic breaks down: a singular system, a value that is not finite
        +-- ConvergenceError     3   an iteration found no solution

The exit status of the command line is the class attribute ``exit_status`` of the error. Every other exception that
leaves the package is a fault of the program. No message can steer a terminal: see `loopdesign.printable`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from loopdesign.printable import excerpt, printable, printable_lines

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


class LoopDesignError(Exception):
    """Root of every error that loopdesign raises on purpose.

    Parameters
    ----------
    message : str
        The sentence for the user; characters that could steer a terminal are escaped.

    Examples
    --------
    >>> import loopdesign as ld
    >>> try:
    ...     ld.check("cases/tide_gauge_sepic.toml")
    ... except ld.LoopDesignError as error:
    ...     print(error.exit_status, "R1, C1, C2 open" in str(error))
    2 True
    """

    exit_status: ClassVar[int] = 2

    def __init__(self, message: str = "") -> None:
        super().__init__(printable_lines(message))

    def __reduce__(self) -> tuple[object, ...]:
        """Pack the error for another process, all it knows included."""
        return _unpacked, (type(self), str(self), dict(self.__dict__))


def _unpacked(kind: type[LoopDesignError], message: str, known: dict[str, object]) -> LoopDesignError:
    """Make the error again from what `LoopDesignError.__reduce__` packed."""
    error = kind.__new__(kind, message)
    error.__dict__.update(known)
    return error


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that is wrong in a case file.

    Parameters
    ----------
    file : str
        Name of the case file as the user gave it.
    line, column : int or None
        Place in the file, counted from 1; None where the fault has no place (a missing file).
    key : str
        Dotted key, for example ``stage.Co.capacitance``; empty for the file as a whole.
    message : str
        What is wrong.
    found, expected : str
        What stands there and what is allowed; empty where there is nothing to say.
    hint : str
        What to do about it; may be empty.
    """

    file: str
    message: str
    line: int | None = None
    column: int | None = None
    key: str = ""
    found: str = ""
    expected: str = ""
    hint: str = ""

    def __str__(self) -> str:
        """Return ``file:line:column: key: what is wrong; found ...; expected ...`` and the hint on a second line."""
        place = ":".join(str(part) for part in (printable(self.file), self.line, self.column) if part is not None)
        parts = [printable(self.message)]
        if self.found:
            parts.append(f"found {excerpt(self.found)}")
        if self.expected:
            parts.append(f"expected {printable(self.expected)}")
        text = ": ".join(part for part in (place, excerpt(self.key), "; ".join(parts)) if part)
        return f"{text}\n    hint: {printable(self.hint)}" if self.hint else text


class CaseError(LoopDesignError):
    """Report every fault of a case file at once.

    Parameters
    ----------
    faults : iterable of Fault
        At least one fault, in the order of the file.

    Examples
    --------
    >>> import loopdesign as ld
    >>> try:
    ...     ld.load_case("cases/supply.toml")
    ... except ld.CaseError as error:
    ...     print([fault.message for fault in error.faults])
    ['there is no such file']
    """

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class QuantityError(LoopDesignError, ValueError):
    """Report one quantity that cannot be read.

    Parameters
    ----------
    problem : str
        What is wrong, without naming the text itself: "is an inductance".
    found : str
        The text as it stands, in quotes.
    expected : str
        What is allowed, with an example.
    hint : str
        What to do about it.

    Examples
    --------
    >>> from loopdesign.units.quantities import parse_quantity
    >>> parse_quantity("10 mH", "F")
    Traceback (most recent call last):
    loopdesign.errors.QuantityError: "10 mH" is an inductance; expected a capacitance such as "10 uF"
    """

    def __init__(self, problem: str, *, found: str = "", expected: str = "", hint: str = "") -> None:
        self.problem = problem
        self.found = found
        self.expected = expected
        self.hint = hint
        text = f"{excerpt(found)} {problem}".strip()
        text += f"; expected {expected}" if expected else ""
        text += f" ({hint})" if hint else ""
        super().__init__(text)


class CircuitError(LoopDesignError):
    """Refuse a network that has no solution, such as an ideal capacitor loop or a floating node.

    Examples
    --------
    >>> import loopdesign as ld
    >>> issubclass(ld.CircuitError, ld.LoopDesignError), ld.CircuitError.exit_status
    (True, 2)
    """


class DataError(LoopDesignError):
    """Refuse measured data or arguments of a command that make no sense.

    Examples
    --------
    >>> import loopdesign as ld
    >>> ld.check("cases/tide_gauge_sepic_undamped.toml", {"R9": "10 kohm"})
    Traceback (most recent call last):
    loopdesign.errors.DataError: parts: 'R9' is unknown; expected R1, C1, C2, divider.upper, slope; did you mean R1?
    """


class UsageError(LoopDesignError):
    """Refuse the words on the command line.

    Examples
    --------
    >>> import loopdesign as ld
    >>> issubclass(ld.UsageError, ld.LoopDesignError), ld.UsageError.exit_status
    (True, 2)
    """


class MissingLibraryError(LoopDesignError, ImportError):
    """Report an optional library that is not installed.

    Examples
    --------
    >>> import loopdesign as ld
    >>> issubclass(ld.MissingLibraryError, ImportError)
    True
    """


class UnreachableOutputError(LoopDesignError):
    """Report an output that the losses keep out of reach at every duty.

    Parameters
    ----------
    message : str
        The sentence for the user.
    input_voltage : float
        Input voltage of the operating point [V].
    load_current : float
        Load current of the operating point [A].
    target : float
        Wanted output voltage [V].
    highest_output : float
        Highest average output within the duty limit [V].
    duty : float
        Duty at which it occurs [unitless].

    Examples
    --------
    >>> import loopdesign as ld
    >>> try:
    ...     ld.response("cases/tide_gauge_sepic_undamped.toml", "plant", frequencies_hz=[1e3], input_voltage="1 V")
    ... except ld.UnreachableOutputError as error:
    ...     print(f"{error.highest_output:.1f} V of {error.target:g} V")
    5.9 V of 15 V
    """

    exit_status: ClassVar[int] = 3

    def __init__(
        self,
        message: str,
        *,
        input_voltage: float,
        load_current: float,
        target: float,
        highest_output: float,
        duty: float,
    ) -> None:
        super().__init__(message)
        self.input_voltage = input_voltage
        self.load_current = load_current
        self.target = target
        self.highest_output = highest_output
        self.duty = duty


class NoDesignError(LoopDesignError):
    """Report that no combination of parts meets the targets, with the nearest miss.

    Parameters
    ----------
    message : str
        The sentence for the user.
    nearest : mapping
        Parts and figures of the combination that comes nearest.
    obstacles : iterable of str
        What prevents a design, one sentence each.

    Examples
    --------
    >>> import loopdesign as ld
    >>> try:
    ...     ld.design("cases/tide_gauge_sepic_undamped.toml")
    ... except ld.NoDesignError as error:
    ...     print(len(error.obstacles), error.nearest)
    2 {'damper': {'resistance': 2.2, 'capacitance': 3.3e-05}}
    """

    exit_status: ClassVar[int] = 3

    def __init__(
        self, message: str, *, nearest: Mapping[str, object] | None = None, obstacles: Iterable[str] = ()
    ) -> None:
        super().__init__(message)
        self.nearest: dict[str, object] = dict(nearest or {})
        self.obstacles: tuple[str, ...] = tuple(obstacles)


class PlacementError(LoopDesignError, ValueError):
    """Report a crossover and phase margin that the network cannot give.

    Parameters
    ----------
    message : str
        The sentence for the user.
    boost_deg : float
        Boost that would be needed [deg].
    largest_boost_deg : float
        Boost that the network can give at most [deg].

    Examples
    --------
    >>> import loopdesign as ld
    >>> issubclass(ld.PlacementError, ld.LoopDesignError), ld.PlacementError.exit_status
    (True, 3)
    """

    exit_status: ClassVar[int] = 3

    def __init__(self, message: str, *, boost_deg: float, largest_boost_deg: float) -> None:
        super().__init__(message)
        self.boost_deg = boost_deg
        self.largest_boost_deg = largest_boost_deg


class NumericalError(LoopDesignError):
    """Report numbers with which the arithmetic breaks down: a singular system, an overflow, a value not finite.

    Examples
    --------
    >>> import loopdesign as ld
    >>> issubclass(ld.NumericalError, ld.LoopDesignError), ld.NumericalError.exit_status
    (True, 3)
    """

    exit_status: ClassVar[int] = 3


class ConvergenceError(NumericalError):
    """Report an iteration that found no solution within its limits.

    Parameters
    ----------
    message
        What was looked for.
    items
        Items of the batch at which nothing was found; empty where the iteration knows of no batch.

    Examples
    --------
    >>> import loopdesign as ld
    >>> issubclass(ld.ConvergenceError, ld.NumericalError)
    True
    """

    def __init__(self, message: str, *, items: tuple[int, ...] = ()) -> None:
        self.items = items
        super().__init__(message)
