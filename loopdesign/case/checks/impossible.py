"""What is impossible in a case whose single values are all fine."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.case.checks.bounds import bound_problems
from loopdesign.case.checks.duty import continuous_duty, discontinuous_duty, lossless_load
from loopdesign.case.checks.elements import element_problems
from loopdesign.case.checks.problem import InputProblem, Sections, volts
from loopdesign.case.checks.regulation import regulation_problems
from loopdesign.case.checks.timing import timing_problems
from loopdesign.case.tables.candidates import WEIGHTS
from loopdesign.case.tables.custom import CustomStage
from loopdesign.case.tables.stage import FlybackStage, TwoInductorStage
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopdesign.case.tables.demands import ConverterSection, Specification
    from loopdesign.case.tables.stage import StageSection


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
    return [
        *_missing_sections(sections),
        *_power(sections),
        *_integrator(sections),
        *_diode(sections),
        *_leakage(sections),
        *regulation_problems(sections),
        *timing_problems(sections),
        *bound_problems(sections),
        *_unfit_candidates(sections),
        *_unweighed_candidates(sections),
    ]


def _power(sections: Sections) -> Iterator[InputProblem]:
    """Refuse what the power stage cannot do."""
    converter, specification, stage = sections.converter, sections.specification, sections.stage
    if specification is None:
        return
    if sections.error_amplifier is not None and specification.regulate == "voltage":
        yield from _reference(specification.output_voltage, sections.error_amplifier.reference)
    if converter is not None and converter.topology in TOPOLOGIES:
        impossible = [*_no_load(converter, specification), *_conversion(converter, specification)]
        yield from impossible
        if stage is not None and sections.modulator is not None and not impossible:
            yield from _duty(converter, specification, stage, sections.modulator.max_duty)
    elif converter is not None:
        yield from _no_load(converter, specification)
    yield from _still_steps(specification)


def _integrator(sections: Sections) -> Iterator[InputProblem]:
    """Refuse a network without its integrating capacitor."""
    if sections.compensation is not None and sections.compensation.C1 == 0.0:
        yield InputProblem(
            path=("compensation", "C1"),
            message="C1 must be fitted",
            found='"none"',
            expected='a capacitance such as "10 nF", or no C1 at all, for design to choose',
            hint="without C1 nothing integrates, and every network here has it",
        )


def _diode(sections: Sections) -> Iterator[InputProblem]:
    """Ask for the diode where the rectifier is one."""
    converter, stage = sections.converter, sections.stage
    if isinstance(stage, CustomStage):
        yield from element_problems(stage, sections)
        return
    if converter is not None and converter.rectifier == "diode" and stage is not None and stage.diode is None:
        yield InputProblem(
            path=("stage", "diode"),
            message="missing key",
            expected='a table such as diode = { drop = "0.45 V", resistance = "15 mohm" }',
            hint='only with rectifier = "synchronous" may it be left out',
        )


def _leakage(sections: Sections) -> Iterator[InputProblem]:
    """Refuse a leakage whose energy nothing takes, a clamp without one, and what their model cannot follow."""
    stage, converter = sections.stage, sections.converter
    if not isinstance(stage, FlybackStage):
        return
    if stage.leakage is not None and stage.clamp is None:
        yield InputProblem(
            path=("stage", "clamp"), at=("stage", "leakage"), message="missing key",
            expected='a table such as clamp = { resistance = "10 kohm", capacitance = "10 nF", drop = "0.8 V" }',
            hint="the switch interrupts the current of the leakage; without a clamp nothing bounds its voltage",
        )  # fmt: skip
    if stage.clamp is not None and stage.leakage is None:
        yield InputProblem(
            path=("stage", "leakage"), at=("stage", "clamp"), message="missing key",
            expected='a table such as leakage = { inductance = "0.9 uH" }, or no clamp',
            hint="without a leakage the clamp takes no energy and would only load the converter",
        )  # fmt: skip
    if stage.leakage is None or stage.clamp is None:
        return
    if stage.leakage.inductance >= stage.L1.inductance:
        yield InputProblem(
            path=("stage", "leakage", "inductance"), message="the leakage is not below the magnetising inductance L1",
            found=format_quantity(stage.leakage.inductance, "H"),
            expected=f"a few percent of {format_quantity(stage.L1.inductance, 'H')}",
        )  # fmt: skip
    if converter is not None and converter.rectifier == "synchronous":
        yield InputProblem(
            path=("stage", "leakage"), message="a leakage with a synchronous rectifier is not modelled",
            found='rectifier = "synchronous"', expected='rectifier = "diode"',
            hint="while the current changes windings switch and rectifier conduct together; a rectifier that is turned "
            'off at zero current is a diode of drop = "0 V"',
        )  # fmt: skip
    yield from _clamp_load(sections, stage, stage.clamp.resistance)


def _clamp_load(sections: Sections, stage: FlybackStage, resistance: float) -> Iterator[InputProblem]:
    """Refuse a clamp that takes more than the converter delivers: its voltage never stays below the reflected one."""
    given = sections.specification
    if given is None:
        return
    current = given.output_current.highest
    output = given.output_voltage_at(current)
    reflected = output / stage.turns
    if reflected**2 / resistance >= output * current:
        yield InputProblem(
            path=("stage", "clamp", "resistance"),
            message=f"the reflected output voltage of {volts(reflected)} alone would make the clamp take more than the "
            "converter delivers",
            found=f"{format_quantity(resistance, 'ohm')}, {format_quantity(reflected**2 / resistance, 'W')}",
            expected=f"well above {format_quantity(reflected**2 / (output * current), 'ohm')}",
            hint="check the prefix",
        )  # fmt: skip


def _missing_sections(sections: Sections) -> Iterator[InputProblem]:
    """Ask for the sections that others need."""
    unread = sections.specification is None and "current_sense" in sections.present
    by_current = unread or (sections.specification is not None and sections.specification.regulate == "current")
    if "error_amplifier" in sections.present and "divider" not in sections.present and not by_current:
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


def _unfit_candidates(sections: Sections) -> Iterator[InputProblem]:
    """Refuse candidates for parts that the stage does not have."""
    if sections.candidates is None or sections.stage is None or sections.converter is None:
        return
    own = isinstance(sections.stage, CustomStage)
    has = ["Co", "Cs", "damper"] if isinstance(sections.stage, TwoInductorStage) else [] if own else ["Co"]
    for part in sections.candidates.of:
        if part not in has:
            yield InputProblem(
                path=("candidates", part),
                message=f"a {sections.converter.topology} has no {part}",
                found=part,
                expected="candidates for the parts it has" if own else f"candidates for {', '.join(has)}",
                hint="parts of a stage of your own have no candidates; sweep varies their values" if own else "",
            )


def _unweighed_candidates(sections: Sections) -> Iterator[InputProblem]:
    """Refuse candidates without price or size, with both, some with the one and some with the other, and namesakes."""
    if sections.candidates is None:
        return
    every = [(part, k, entry) for part, entries in sections.candidates.of.items() for k, entry in enumerate(entries)]
    first = ""
    names: set[tuple[str, str]] = set()
    for part, k, entry in every:
        path = ("candidates", part, k)
        weights = [key for key in WEIGHTS if getattr(entry, key) is not None]
        if len(weights) != 1:
            yield InputProblem(
                path=path, message=f"has {'both price and size' if weights else 'neither price nor size'}",
                found=f"candidate {k + 1} for {part}",
                expected="price = 0.42 or size = 80: plain numbers, the same key for every candidate",
            )  # fmt: skip
        elif weights[0] != (first := first or weights[0]):
            yield InputProblem(
                path=(*path, weights[0]), message=f"this candidate has a {weights[0]}, and those before it a {first}",
                found=weights[0], expected=f"{first} for every candidate, since their sum decides",
            )  # fmt: skip
        if entry.name and (part, entry.name) in names:
            yield InputProblem(
                path=(*path, "name"), message=f"two candidates for {part} have the same name", found=entry.name,
                expected="a name of its own, or none",
            )  # fmt: skip
        names.add((part, entry.name))


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
    """Refuse a reference that is not below the output: a divider only divides."""
    if reference >= output_voltage:
        yield InputProblem(
            path=("error_amplifier", "reference"),
            message=f"reference is {'above' if reference > output_voltage else 'equal to'} the output voltage",
            found=volts(reference),
            expected=f"below {volts(output_voltage)}",
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
    """Refuse a stage that only steps down where it should step up, and the reverse."""
    line, current = specification.input_voltage, specification.output_current
    lowest, highest = (specification.output_voltage_at(i) for i in (current.lowest, current.highest))
    path = ("specification", "output_voltage" if specification.regulate == "voltage" else "voltage_load")
    name, conversion = converter.topology, TOPOLOGIES[converter.topology].conversion
    if conversion == "steps down" and highest >= line.lowest:
        expected = f"below the lowest input voltage, {volts(line.lowest)}"
        yield InputProblem(path=path, message=f"a {name} only steps down", found=volts(highest), expected=expected)
    if conversion == "steps up" and lowest <= line.highest:
        expected = f"above the highest input voltage, {volts(line.highest)}"
        yield InputProblem(path=path, message=f"a {name} only steps up", found=volts(lowest), expected=expected)


def _duty(
    converter: ConverterSection, specification: Specification, stage: StageSection, max_duty: float
) -> Iterator[InputProblem]:
    """Refuse a lossless duty above the limit; discontinuous conduction needs less than continuous conduction."""
    line = specification.input_voltage.lowest
    output, current = specification.output_voltage, specification.output_current.highest
    load = lossless_load(converter, stage, line, output, current)
    duty = continuous_duty(converter, load)
    if converter.rectifier == "diode":
        duty = min(duty, discontinuous_duty(converter, load))
    if duty > max_duty:
        yield InputProblem(
            path=("modulator", "max_duty"),
            message=f"even without losses the {converter.topology} needs a duty of {duty:.3f} at {volts(line)} input",
            found=f"max_duty = {max_duty:g}",
            expected=f"above {duty:.3f}",
            hint="raise max_duty or the lowest input voltage"
            + (" or turns" if isinstance(stage, FlybackStage) else ""),
        )
