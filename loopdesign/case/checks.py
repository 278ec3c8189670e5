"""What is impossible in a case whose single values are all fine, and what is merely odd.

Ideal duty cycles are those of R. W. Erickson, D. Maksimovic, *Fundamentals of Power Electronics*, 3rd ed., 2020,
chapters 2, 5 and 6. Losses only raise the duty a converter needs, so a lossless duty above the limit
proves the specification impossible; the exact operating point decides the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from pydantic import BaseModel

from loopdesign.case.fields import QuantityField
from loopdesign.case.stage import FlybackStage, TwoInductorStage
from loopdesign.units.quantities import format_quantity, implausible

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopdesign.case.locate import Path
    from loopdesign.case.model import (
        Case,
        Compensation,
        ConverterSection,
        DividerSection,
        ErrorAmplifierSection,
        ModulatorSection,
        Specification,
        StageSection,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class InputProblem:
    """A fault that has no place in the file yet: path of the key and the parts of the message.

    `at` is the key at whose place to report it, where that is another one.
    """

    path: Path
    at: Path | None = None
    message: str
    found: str = ""
    expected: str = ""
    hint: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sections:
    """The sections of a case that could be read; None for one that is missing or faulty.

    `present` names the sections that the file has, faulty ones included.
    """

    converter: ConverterSection | None
    specification: Specification | None
    stage: StageSection | None
    modulator: ModulatorSection | None
    error_amplifier: ErrorAmplifierSection | None
    divider: DividerSection | None
    compensation: Compensation | None
    present: frozenset[str]


def problems(sections: Sections) -> list[InputProblem]:
    """Find what is impossible in the sections that could be read.

    Parameters
    ----------
    sections : Sections
        The sections, None for each that is missing or faulty.

    Returns
    -------
    list of InputProblem
        Empty when the case can exist.
    """
    found = [*_missing_sections(sections)]
    converter, specification = sections.converter, sections.specification
    if specification is not None:
        if sections.error_amplifier is not None:
            found += _reference(specification.output_voltage, sections.error_amplifier.reference)
        if converter is not None:
            impossible = [*_no_load(converter, specification), *_conversion(converter, specification)]
            found += impossible
            if sections.stage is not None and sections.modulator is not None and not impossible:
                found += _duty(converter, specification, sections.stage, sections.modulator.max_duty)
    if sections.compensation is not None and sections.compensation.C1 == 0.0:
        found.append(
            InputProblem(
                path=("compensation", "C1"),
                message="C1 must be fitted",
                found='"none"',
                expected='a capacitance such as "10 nF", or no C1 at all, for design to choose',
                hint="without C1 nothing integrates, and every network here has it",
            )
        )
    if specification is not None:
        found += _still_steps(specification)
    if converter is not None and converter.rectifier == "diode" and sections.stage and sections.stage.diode is None:
        found.append(
            InputProblem(
                path=("stage", "diode"),
                message="missing key",
                expected='a table such as diode = { drop = "0.45 V", resistance = "15 mohm" }',
                hint='only with rectifier = "synchronous" may it be left out',
            )
        )
    return found


def warnings(case: Case) -> tuple[str, ...]:
    """List what is allowed in a case yet worth telling.

    Parameters
    ----------
    case : Case
        A valid case.

    Returns
    -------
    tuple of str
        One sentence each, beginning with the key.
    """
    return (*_step_warnings(case), *_divider_warnings(case), *_on_time_warnings(case), *_implausible(case, ""))


def ideal_duty(topology: str, input_voltage: float, output_voltage: float, *, turns: float = 1.0) -> float:
    """Return the duty of the lossless converter in continuous conduction.

    Parameters
    ----------
    topology : str
        Name of the topology.
    input_voltage, output_voltage : float
        Voltages, both positive [V].
    turns : float
        Secondary over primary turns of a flyback [unitless].

    Returns
    -------
    float
        Duty [unitless]; not below 1 where a buck cannot step up, not above 0 where a boost cannot step down.
    """
    if topology == "buck":
        return output_voltage / input_voltage
    if topology == "boost":
        return 1.0 - input_voltage / output_voltage
    return output_voltage / (output_voltage + turns * input_voltage)


def _missing_sections(sections: Sections) -> Iterator[InputProblem]:
    """Ask for the sections that others need."""
    if "error_amplifier" in sections.present and "divider" not in sections.present:
        yield InputProblem(
            path=("divider",),
            at=("error_amplifier",),
            message="missing section",
            expected='[divider] with lower = "10 kohm"',
            hint="the error amplifier compares the divided output with its reference",
        )
    if "compensation" in sections.present and "error_amplifier" not in sections.present:
        yield InputProblem(
            path=("error_amplifier",),
            at=("compensation",),
            message="missing section",
            expected="[error_amplifier] with its kind and reference",
            hint="[compensation] is the network around an error amplifier",
        )


def _still_steps(specification: Specification) -> Iterator[InputProblem]:
    """Refuse a step that goes nowhere."""
    for key in ("load_step", "line_step"):
        step = getattr(specification, key)
        if step is not None and step.from_ == step.to:
            yield InputProblem(
                path=("specification", key),
                message="the step ends where it begins",
                found=f"from = to = {step.to:g}",
                expected="two different values",
            )


def _reference(output_voltage: float, reference: float) -> Iterator[InputProblem]:
    """Refuse a reference above the output: a divider only divides."""
    if reference > output_voltage:
        yield InputProblem(
            path=("error_amplifier", "reference"),
            message="reference is above the output voltage",
            found=_volts(reference),
            expected=f"at most {_volts(output_voltage)}",
        )


def _no_load(converter: ConverterSection, specification: Specification) -> Iterator[InputProblem]:
    """Refuse zero load current with a diode, where the output would rise without end."""
    if converter.rectifier == "diode" and specification.output_current.lowest == 0.0:
        yield InputProblem(
            path=("specification", "output_current"),
            message="a converter with a diode has no operating point at zero load current",
            found="0 A",
            expected='a current above zero such as "10 mA"',
        )


def _conversion(converter: ConverterSection, specification: Specification) -> Iterator[InputProblem]:
    """Refuse a buck that should step up and a boost that should step down."""
    output, line = specification.output_voltage, specification.input_voltage
    path = ("specification", "output_voltage")
    if converter.topology == "buck" and output >= line.lowest:
        expected = f"below the lowest input voltage, {_volts(line.lowest)}"
        yield InputProblem(path=path, message="a buck only steps down", found=_volts(output), expected=expected)
    if converter.topology == "boost" and output <= line.highest:
        expected = f"above the highest input voltage, {_volts(line.highest)}"
        yield InputProblem(path=path, message="a boost only steps up", found=_volts(output), expected=expected)


def _duty(
    converter: ConverterSection, specification: Specification, stage: StageSection, max_duty: float
) -> Iterator[InputProblem]:
    """Refuse a lossless duty above the limit; discontinuous conduction needs less than continuous conduction."""
    line = specification.input_voltage.lowest
    turns = stage.turns if isinstance(stage, FlybackStage) else 1.0
    duty = ideal_duty(converter.topology, line, specification.output_voltage, turns=turns)
    if converter.rectifier == "diode":
        duty = min(duty, _discontinuous_duty(converter, specification, stage))
    if duty > max_duty:
        yield InputProblem(
            path=("modulator", "max_duty"),
            message=f"even without losses the {converter.topology} needs a duty of {duty:.3f} at {_volts(line)} input",
            found=f"max_duty = {max_duty:g}",
            expected=f"above {duty:.3f}",
            hint="raise max_duty or the lowest input voltage"
            + (" or turns" if converter.topology == "flyback" else ""),
        )


def _discontinuous_duty(converter: ConverterSection, specification: Specification, stage: StageSection) -> float:
    """Return the lossless duty in discontinuous conduction at the lowest line and the highest load."""
    line, output = specification.input_voltage.lowest, specification.output_voltage
    power = output * specification.output_current.highest
    inductance = stage.L1.inductance
    if isinstance(stage, TwoInductorStage):
        other = stage.L2.inductance
        mutual = stage.coupling * math.sqrt(inductance * other)
        inductance = (inductance * other - mutual**2) / (inductance + other - 2 * mutual)
    stored = 2 * inductance * power * converter.switching_frequency  # (D Vin)^2 by energy balance
    if converter.topology == "boost":
        stored *= 1 - line / output
    if converter.topology == "buck":
        stored /= 1 - output / line
    return math.sqrt(stored) / line


def _step_warnings(case: Case) -> Iterator[str]:
    """Tell of steps that leave the specified range."""
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
    """Tell of a divider that would regulate to another voltage than the specified one."""
    amplifier, divider = case.error_amplifier, case.divider
    if amplifier is None or divider is None or divider.upper is None:
        return
    output = case.specification.output_voltage
    set_by_divider = amplifier.reference * (1 + divider.upper / divider.lower)
    if abs(set_by_divider / output - 1) > 0.02:
        yield (
            f"divider.upper: the divider sets {_volts(set_by_divider)}, the specified output is {_volts(output)}; "
            "operating points use the specified output"
        )


def _on_time_warnings(case: Case) -> Iterator[str]:
    """Tell of a switch that would have to conduct for less than its shortest time."""
    line = case.specification.input_voltage.highest
    turns = case.stage.turns if isinstance(case.stage, FlybackStage) else 1.0
    duty = ideal_duty(case.converter.topology, line, case.specification.output_voltage, turns=turns)
    on_time = duty / case.converter.switching_frequency
    if on_time < case.modulator.min_on_time:
        yield (
            f"modulator.min_on_time: at {_volts(line)} input the switch conducts for about "
            f"{format_quantity(on_time, 's')}, shorter than {format_quantity(case.modulator.min_on_time, 's')}"
        )


def _implausible(table: BaseModel, prefix: str) -> Iterator[str]:
    """Tell of values that are hard to believe, in a table and all tables within it."""
    for name, field in type(table).model_fields.items():
        key = f"{prefix}{field.alias or name}"
        value = getattr(table, name)
        entries = enumerate(value) if isinstance(value, tuple) else ()
        if isinstance(value, BaseModel):
            yield from _implausible(value, f"{key}.")
        for index, entry in entries:
            if isinstance(entry, BaseModel):
                yield from _implausible(entry, f"{key}.{index}." if len(value) > 1 else f"{key}.")
        for mark in field.metadata:
            if isinstance(mark, QuantityField) and isinstance(value, float) and (text := implausible(value, mark.unit)):
                yield f"{key}: {text}"


def _volts(value: float) -> str:
    """Write a voltage for a message."""
    return format_quantity(value, "V", 4)
