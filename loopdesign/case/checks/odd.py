"""What is allowed in a case but deserves a warning."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import BaseModel

from loopdesign.case.checks.duty import continuous_duty, lossless_load
from loopdesign.case.checks.plausible import plausibility_warnings
from loopdesign.case.checks.problem import volts
from loopdesign.case.fields import QuantityField
from loopdesign.case.tables.custom import CustomStage
from loopdesign.units.quantities import format_quantity, implausible

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopdesign.case.model import Case


def warnings(case: Case) -> tuple[str, ...]:
    """List what is allowed in a case but deserves a warning.

    Parameters
    ----------
    case : Case
        A valid case.

    Returns
    -------
    tuple of str
        One sentence each, beginning with the key.
    """
    return (
        *_step_warnings(case),
        *_divider_warnings(case),
        *_on_time_warnings(case),
        *plausibility_warnings(case),
        *_unlikely(case),
    )


def _step_warnings(case: Case) -> Iterator[str]:
    """Warn about steps that leave the specified range."""
    specification = case.specification
    steps = (
        ("load_step", specification.load_step, specification.output_current, "A", "output_current"),
        ("line_step", specification.line_step, specification.input_voltage, "V", "input_voltage"),
    )
    for name, step, levels, unit, bound in steps:
        if step is None:
            continue
        outside = [
            x for x in (step.from_, step.to) if not levels.lowest * (1 - 1e-9) <= x <= levels.highest * (1 + 1e-9)
        ]
        for value in outside:
            yield f"specification.{name}: {format_quantity(value, unit)} lies outside the range of {bound}"


def _divider_warnings(case: Case) -> Iterator[str]:
    """Warn about a divider that would regulate to another voltage than the specified one."""
    amplifier, divider = case.error_amplifier, case.divider
    if amplifier is None or divider is None or divider.upper is None:
        return
    output = case.specification.output_voltage
    set_by_divider = amplifier.reference * (1 + divider.upper / divider.lower)
    if abs(set_by_divider / output - 1) > 0.02:
        yield (
            f"divider.upper: the divider sets {volts(set_by_divider)}, the specified output is {volts(output)}; "
            "operating points use the specified output"
        )


def _on_time_warnings(case: Case) -> Iterator[str]:
    """Warn about a switch that would have to conduct for less than its shortest time."""
    if isinstance(case.stage, CustomStage):
        return  # its duty follows from no formula
    line = case.specification.input_voltage.highest
    output, current = case.specification.output_voltage, case.specification.output_current.lowest
    load = lossless_load(case.converter, case.stage, line, output, current)
    on_time = continuous_duty(case.converter, load) * load.period
    modulator = case.modulator
    blanked = modulator.blanking + modulator.turn_off_delay if modulator.blanking else 0.0
    for key, shortest in (("min_on_time", modulator.min_on_time), ("blanking", blanked)):
        if on_time < shortest:
            yield (
                f"modulator.{key}: at {volts(line)} input the switch conducts for about "
                f"{format_quantity(on_time, 's')}, shorter than {format_quantity(shortest, 's')}"
            )


def _unlikely(case: Case) -> Iterator[str]:
    """Warn about values that are hard to believe."""
    yield from (f"{key}: {text}" for key, text in unlikely_values(case))


def unlikely_values(table: BaseModel, prefix: str = "") -> Iterator[tuple[str, str]]:
    """Find the values that are hard to believe, in a table and all tables within it.

    Parameters
    ----------
    table : BaseModel
        A case, or a table of it.
    prefix : str
        Dotted key of the table with a dot behind it; empty for the case.

    Yields
    ------
    (str, str)
        Dotted key, and what is odd about its value.
    """
    for name, field in type(table).model_fields.items():
        key = f"{prefix}{field.alias or name}"
        value = getattr(table, name)
        entries = enumerate(value) if isinstance(value, tuple) else ()
        if isinstance(value, BaseModel):
            yield from unlikely_values(value, f"{key}.")
        for index, entry in entries:
            if isinstance(entry, BaseModel):
                yield from unlikely_values(entry, f"{key}.{index}." if len(value) > 1 else f"{key}.")
        for mark in field.metadata:
            if (
                isinstance(mark, QuantityField)
                and isinstance(value, float)
                and (text := implausible(value, mark.unit, mark.plausible))
            ):
                yield key, text
