"""What a caller gives beside the case: values for its open parts, quantities as text, words from a short list."""

from __future__ import annotations

import difflib
from numbers import Real
from typing import TYPE_CHECKING, TypeVar

import numpy as np

from loopdesign.case import PARTS_OF_NETWORK, Compensation
from loopdesign.case.checks import Sections, problems, warnings
from loopdesign.corners.converters import has_feedback
from loopdesign.errors import DataError, QuantityError
from loopdesign.printable import printable
from loopdesign.units.quantities import format_quantity, parse_quantity, sensible_range

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.case.fields import QuantityField, Section
    from loopdesign.corners.conditions import Corners

Word = TypeVar("Word", bound=str)

MOST_FREQUENCIES = 100_000
"""Most frequencies of one response; more than any plot can show."""
SAME_LEVEL = 1e-9
"""Share by which a level may differ from an end of the specification and still be within it."""
SLOPE, UPPER = "slope", "divider.upper"
"""Names under which a design lists the compensating ramp and the upper divider resistor among what it chose."""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Suggest the nearest of the known words.

    Parameters
    ----------
    word : str
        What was given.
    known : iterable of str
        What would be right.

    Returns
    -------
    str
        ``"; did you mean R1?"``, or nothing where no known word is near.
    """
    letters = {name.lower(): name for name in known}
    near = [letters[n] for n in difflib.get_close_matches(word.lower(), letters, n=2, cutoff=0.5)]
    return f"; did you mean {' or '.join(near)}?" if near else ""


def one_of(word: object, known: Collection[Word], what: str) -> Word:
    """Accept one word of a short list.

    Parameters
    ----------
    word : object
        What was given.
    known : collection of str
        The words allowed.
    what : str
        What the words name, for the message.

    Returns
    -------
    str
        The word.

    Raises
    ------
    DataError
        Where it is none of them; names the nearest.
    """
    for name in known:
        if isinstance(word, str) and word == name:
            return name
    hint = did_you_mean(word, known) if isinstance(word, str) else ""
    raise DataError(f"{what} {word!r} is unknown; expected one of {', '.join(known)}{hint}")


def read_quantity(value: object, unit: str, name: str) -> float:
    """Read one quantity that a caller gives as a number or as text.

    Parameters
    ----------
    value : float or str
        A number in SI units, or text such as ``"13 V"``.
    unit : str
        Symbol of the unit the value is read in.
    name : str
        Name of the parameter, for the message.

    Returns
    -------
    float
        The value in SI units.

    Raises
    ------
    DataError
        Where it is neither, or far beyond what makes sense.
    """
    try:
        number = parse_quantity(_plain(value), unit)
    except QuantityError as error:
        raise DataError(f"{name}: {error}") from None
    least, most = sensible_range(unit)
    if number and not least <= abs(number) <= most:
        raise DataError(f"{name} is far too {'large' if abs(number) > most else 'small'}; found {number:g} {unit}")
    return number


def with_parts(case: cases.Case, parts: Mapping[str, float | str] | None) -> cases.Case:
    """Put given values in the place of the case's own.

    Parameters
    ----------
    case : Case
        The case.
    parts : mapping of str to float or str, or None
        Values by designator: the parts of the compensation network, and ``slope`` and ``divider.upper``, which a design
        may choose as well. Numbers are in SI units ([ohm], [F], [V/s]); text is read as in the case file
        (``"10 kohm"``, ``"none"`` where a part is not fitted, as is the number 0).

    Returns
    -------
    Case
        With the values in it; the case itself where none is given.

    Raises
    ------
    DataError
        Where a name is unknown or a value cannot be read; every fault at once.
    """
    if parts is None:
        return case
    if not hasattr(parts, "items"):
        raise DataError(f'parts: expected a mapping such as {{"R1": "10 kohm"}}, found {parts!r}')
    update: dict[str, Section] = {}
    read, faults = {}, []
    places = _places(case)
    for name, value in parts.items():
        if name not in places:
            faults.append(_unknown(case, name, places))
            continue
        section, key = places[name]
        try:
            read[name] = _read(type(section), key, value)
        except QuantityError as error:
            faults.append(f"{name}: {error}")
    for name, number in read.items():
        section, key = places[name]
        path = "modulator" if name == SLOPE else "divider" if name == UPPER else "compensation"
        update[path] = update.get(path, section).model_copy(update={key: number})
    compensation = update.get("compensation")
    if isinstance(compensation, Compensation):
        faults += [f"{p.path[-1]}: {p.message}; {p.hint}" for p in problems(_only(compensation))]
    if faults:
        raise DataError("\n".join(f"parts: {fault}" for fault in faults))
    changed = case.model_copy(update=update)
    return changed.model_copy(update={"warnings": warnings(changed)})


def given_parts(case: cases.Case) -> dict[str, float]:
    """Return the compensation parts of a case in which none is open.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    dict of str to float
        Values by designator [ohm], [F]; 0.0 where a part is not fitted.

    Raises
    ------
    DataError
        Where the loop is not given whole.
    """
    compensation = case.compensation
    sense = "divider" if case.specification.regulate == "voltage" else "current_sense"
    missing = [f"[{name}]" for name in ("error_amplifier", sense, "compensation") if getattr(case, name) is None]
    if missing or compensation is None:
        raise DataError(f"{printable(case.source)}: the loop is not given: {', '.join(missing)} missing")
    if compensation.open_parts:
        names = ", ".join(compensation.open_parts)
        raise DataError(
            f"{case.where('compensation')} leaves {names} open; run 'loopdesign design' first, or give them"
        )
    return {name: value for name, value in compensation.parts.items() if value is not None}


def require_slope(case: cases.Case) -> None:
    """Refuse a case whose compensating ramp is open.

    Parameters
    ----------
    case : Case
        The case.

    Raises
    ------
    DataError
        Where the modulator is in peak current mode and has no slope.
    """
    if case.modulator.scheme == "peak current" and case.modulator.slope is None:
        raise DataError(f"{case.where('modulator.slope')} is open; run 'loopdesign design' to choose it, or give it")


def missing_for_a_loop(case: cases.Case) -> list[str]:
    """List the sections without which nothing closes the loop.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    list of str
        ``[error_amplifier]`` and ``[divider]``, or ``[current_sense]`` where the current is regulated.
    """
    sense = "divider" if case.specification.regulate == "voltage" else "current_sense"
    return [f"[{name}]" for name in ("error_amplifier", sense) if getattr(case, name) is None]


def has_loop(case: cases.Case) -> bool:
    """Return whether a case has all that a closed loop needs: amplifier, divider and network.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    bool
        Whether it has; parts of the network may be open still.
    """
    return has_feedback(case) and case.compensation is not None


def _plain(value: object) -> object:
    """Turn a number of any kind, such as numpy's, into Python's own; a boolean is not a number."""
    if isinstance(value, np.ndarray) and value.ndim == 0:
        value = value.item()
    return float(value) if isinstance(value, Real) and not isinstance(value, bool) else value


def _places(case: cases.Case) -> dict[str, tuple[Section, str]]:
    """Say for each name that may be given which section holds it, and under which key."""
    places: dict[str, tuple[Section, str]] = {}
    if has_feedback(case):
        compensation = case.compensation or Compensation()
        places |= {name: (compensation, name) for name in PARTS_OF_NETWORK[compensation.network]}
        if case.divider is not None:
            places[UPPER] = (case.divider, "upper")
    if case.modulator.scheme == "peak current":
        places[SLOPE] = (case.modulator, "slope")
    return places


def _read(section: type[Section], key: str, value: object) -> float | None:
    """Read a value as the case file would; the number 0 says that a part is not fitted, as "none" does."""
    field: QuantityField = section.model_fields[key].metadata[0]
    number = _plain(value)
    if number is None:
        raise QuantityError("is open", found="None", expected=field.expected)
    if isinstance(number, float) and number == 0.0 and dict(field.words).get("none") == 0.0:
        return 0.0
    return field.read(number)


def _unknown(case: cases.Case, name: object, places: Mapping[str, object]) -> str:
    """Say that a name is none of the parts that may be given."""
    if not has_feedback(case):
        return f"{name!r} has no place: the case has no [error_amplifier] or no [divider]"
    hint = did_you_mean(name, places) if isinstance(name, str) else ""
    return f"{name!r} is unknown; expected {', '.join(places)}{hint}"


def _only(compensation: Compensation) -> Sections:
    """Hand one section to the checks of a case file."""
    return Sections(compensation=compensation)


def read_frequencies(given: object) -> NDArray[np.float64]:
    """Read frequencies that are given as one or several numbers or texts.

    Parameters
    ----------
    given : object
        Above zero, at most `MOST_FREQUENCIES` of them [Hz].

    Returns
    -------
    ndarray (F,)
        Frequencies in the order given [Hz].
    """
    try:
        several = [given] if isinstance(given, str) else list(given)  # type: ignore[call-overload]
    except TypeError:  # a single number
        several = [given]
    if len(several) > MOST_FREQUENCIES:
        raise DataError(f"frequencies_hz has {len(several)} entries; it may have {MOST_FREQUENCIES:,}")
    hz = np.array([read_quantity(f, "Hz", "frequencies_hz") for f in several])
    if hz.size == 0:
        raise DataError("frequencies_hz is empty; expected frequencies above zero, such as [100.0, 1e3]")
    if hz.min() <= 0.0:
        raise DataError(f"frequencies_hz must be above zero; found {hz.min():g} Hz")
    return hz


def outside_specification(case: cases.Case, conditions: Corners) -> tuple[str, ...]:
    """Warn of input voltages and load currents that the specification does not cover.

    Parameters
    ----------
    case : Case
        The case.
    conditions : Corners
        What is asked for (B,).

    Returns
    -------
    tuple of str
        One sentence for each level; none where all are within.
    """
    s, told = case.specification, []
    for words, unit, levels, values in (
        ("input voltage", "V", s.input_voltage, conditions.input_voltage),
        ("load current", "A", s.output_current, conditions.load_current),
    ):
        low, high = levels.lowest * (1.0 - SAME_LEVEL), levels.highest * (1.0 + SAME_LEVEL)
        for value in sorted({float(v) for v in values if not low <= v <= high}):
            span = f"{format_quantity(levels.lowest, unit)} to {format_quantity(levels.highest, unit)}"
            told.append(
                f"the {words} of {format_quantity(value, unit)} is outside the specification of {span}; a check does "
                "not examine it"
            )
    return tuple(told)
