"""Faults between load, regulation, its sense, targets and ratings."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.case.checks.problem import InputProblem, volts
from loopdesign.case.tables.custom import CustomStage
from loopdesign.case.tables.demands import VoltageRegulated
from loopdesign.case.tables.stage import TwoInductorStage
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopdesign.case.checks.problem import Sections
    from loopdesign.case.tables.control import CurrentSense, ErrorAmplifierSection

FACTOR = 1.5
"""Factor by which a divider or a sense resistor may miss what is specified; anything further is a slip."""
_LOAD_EXAMPLE = 'a table such as voltage_load = { drop = "20 V", resistance = "3 ohm" }'
_SECOND_INDUCTOR = ("L2_current", "Cs_voltage", "Cs_current")
"""Ratings of parts that only the topologies with two inductors have."""


def regulation_problems(sections: Sections) -> Iterator[InputProblem]:
    """Find what is impossible between load, regulation, sense, targets and ratings.

    Parameters
    ----------
    sections : Sections
        The sections, None for each that is missing or faulty.

    Yields
    ------
    InputProblem
        One for each fault.
    """
    if isinstance(sections.specification, VoltageRegulated):
        yield from _voltage_load(sections.specification)
    yield from _divider(sections)
    yield from _sense(sections)
    yield from _optocoupler(sections)
    yield from _targets(sections)
    yield from _ratings(sections)


def _voltage_load(specification: VoltageRegulated) -> Iterator[InputProblem]:
    """Ask for the table of a voltage load, and refuse one that draws nothing at the regulated voltage."""
    path = ("specification", "voltage_load")
    given = specification.voltage_load
    if specification.load == "voltage" and given is None:
        yield InputProblem(
            path=path, at=("specification", "load"), message="missing key", expected=_LOAD_EXAMPLE,
            hint='load = "voltage" is a drop in series with a resistance',
        )  # fmt: skip
    elif specification.load != "voltage" and given is not None:
        yield InputProblem(
            path=path, message='voltage_load belongs to load = "voltage"', found=f'load = "{specification.load}"',
            expected='load = "voltage", or no voltage_load',
        )  # fmt: skip
    elif given is not None and given.drop >= specification.output_voltage:
        yield InputProblem(
            path=(*path, "drop"), message="the load draws no current at the regulated output voltage",
            found=volts(given.drop), expected=f"below the output voltage, {volts(specification.output_voltage)}",
        )  # fmt: skip


def _divider(sections: Sections) -> Iterator[InputProblem]:
    """Refuse a divider that misses the specified output by a factor: upper and lower exchanged, or a slip."""
    specification, amplifier, divider = sections.specification, sections.error_amplifier, sections.divider
    if not isinstance(specification, VoltageRegulated) or amplifier is None or divider is None or divider.upper is None:
        return
    output = specification.output_voltage
    held = amplifier.reference * (1.0 + divider.upper / divider.lower)
    exchanged = amplifier.reference * (1.0 + divider.lower / divider.upper)
    if 1.0 / FACTOR < held / output < FACTOR:
        return
    fits = abs(exchanged / output - 1.0) < abs(held / output - 1.0) and 1.0 / FACTOR < exchanged / output < FACTOR
    needed = (output / amplifier.reference - 1.0) * divider.lower
    yield InputProblem(
        path=("divider", "upper"),
        message=f"the divider sets {volts(held)} where {volts(output)} are specified",
        found=format_quantity(divider.upper, "ohm"),
        expected=f"about {format_quantity(needed, 'ohm')} with lower = {format_quantity(divider.lower, 'ohm')}",
        hint="upper and lower are exchanged: upper lies at the output, lower at ground" if fits else "",
    )


def _sense(sections: Sections) -> Iterator[InputProblem]:
    """Ask for what senses the regulated quantity and refuse what senses the other."""
    if sections.specification is None:
        return
    if sections.specification.regulate == "voltage":
        if "current_sense" in sections.present:
            yield InputProblem(
                path=("current_sense",), message="this section belongs to a regulated current",
                found='regulate = "voltage"', expected='[divider], or regulate = "current" in [specification]',
            )  # fmt: skip
        return
    if "divider" in sections.present:
        yield InputProblem(
            path=("divider",), message="a regulated current has no divider", found='regulate = "current"',
            expected='[current_sense] with resistance = "0.25 ohm"',
        )  # fmt: skip
    if "error_amplifier" in sections.present and "current_sense" not in sections.present:
        yield InputProblem(
            path=("current_sense",), at=("error_amplifier",), message="missing section",
            expected='[current_sense] with resistance = "0.25 ohm"',
            hint="the error amplifier compares the voltage across that resistor with its reference",
        )  # fmt: skip
    if sections.error_amplifier is not None and sections.current_sense is not None:
        yield from _input_resistance(sections.error_amplifier, sections.current_sense)
        yield from _sensed(
            sections.specification.output_current.highest, sections.error_amplifier, sections.current_sense
        )


def _sensed(highest: float, amplifier: ErrorAmplifierSection, sense: CurrentSense) -> Iterator[InputProblem]:
    """Refuse a sense resistor that misses the highest specified current by a factor."""
    held = amplifier.reference / sense.resistance
    wanted = format_quantity(highest, "A")
    if not 1.0 / FACTOR < held / highest < FACTOR:
        yield InputProblem(
            path=("current_sense", "resistance"),
            message=f"the reference sets {format_quantity(held, 'A')} where {wanted} are specified",
            found=format_quantity(sense.resistance, "ohm"),
            expected=f"about {format_quantity(amplifier.reference / highest, 'ohm')}",
        )


def _input_resistance(amplifier: ErrorAmplifierSection, sense: CurrentSense) -> Iterator[InputProblem]:
    """Ask for the input resistor that the divider would otherwise be."""
    path = ("current_sense", "input_resistance")
    if amplifier.kind != "transconductance" and sense.input_resistance is None:
        yield InputProblem(
            path=path, message="missing key", expected='a resistance such as "10 kohm"',
            hint=f'an amplifier of kind "{amplifier.kind}" takes its input through a resistor',
        )  # fmt: skip
    if amplifier.kind == "transconductance" and sense.input_resistance is not None:
        yield InputProblem(
            path=path, message="a transconductance amplifier has no input resistor",
            found=format_quantity(sense.input_resistance, "ohm"), expected="no such key",
        )  # fmt: skip


def _optocoupler(sections: Sections) -> Iterator[InputProblem]:
    """Refuse an optocoupler whose transistor cannot conduct, and one whose light source would close a second loop."""
    amplifier, specification = sections.error_amplifier, sections.specification
    if amplifier is None or amplifier.kind != "shunt optocoupler":
        return
    supply, saturation = amplifier.pull_up_supply, amplifier.saturation_voltage
    if supply is not None and saturation is not None and saturation >= supply:
        yield InputProblem(
            path=("error_amplifier", "saturation_voltage"), message="saturation_voltage is not below pull_up_supply",
            found=volts(saturation), expected=f"below {volts(supply)}",
            hint="with both alike the transistor draws no current",
        )  # fmt: skip
    if specification is not None and specification.regulate == "current" and amplifier.led_supply is None:
        yield InputProblem(
            path=("error_amplifier", "led_supply"), message="missing key", expected='a voltage such as "5 V"',
            hint="where the output current is regulated the output voltage is not, and an LED fed from it would close "
            "a second loop",
        )  # fmt: skip


def _targets(sections: Sections) -> Iterator[InputProblem]:
    """Refuse targets that contradict each other or lack what they are about."""
    targets = sections.targets
    if targets is None:
        return
    for name in ("crossover", "crossover_limit"):
        highest = getattr(targets, name)
        if targets.crossover_min is not None and highest is not None and targets.crossover_min > highest:
            yield InputProblem(
                path=("targets", "crossover_min"), message=f"crossover_min is above {name}",
                found=format_quantity(targets.crossover_min, "Hz"),
                expected=f"at most {format_quantity(highest, 'Hz')}",
            )  # fmt: skip
            return
    if targets.step_deviation is None or sections.specification is None:
        return
    if sections.specification.regulate == "current":
        yield InputProblem(
            path=("targets", "step_deviation"), message="a regulated current has no departure to limit",
            found=volts(targets.step_deviation), expected="no such key",
            hint="at its load_step the regulated level itself moves, and the output voltage follows it",
        )  # fmt: skip
    elif sections.specification.load_step is None:
        yield InputProblem(
            path=("targets", "step_deviation"), message="there is no load step to depart at",
            found=volts(targets.step_deviation),
            expected='load_step in [specification], such as { from = "0.5 A", to = "1.5 A" }',
        )  # fmt: skip


def _ratings(sections: Sections) -> Iterator[InputProblem]:
    """Refuse ratings of parts that the topology does not have."""
    if sections.ratings is None or sections.stage is None or sections.converter is None:
        return
    if isinstance(sections.stage, TwoInductorStage):
        return
    own = sections.stage if isinstance(sections.stage, CustomStage) else None
    has = frozenset() if own is None else frozenset({*(e.name for e in own.elements), "Co"})
    rated = [n for n in type(sections.ratings).model_fields if n != "derating"]
    for name in _SECOND_INDUCTOR if own is None else rated:
        part = name.partition("_")[0]
        if part not in has and getattr(sections.ratings, name) is not None:
            yield InputProblem(
                path=("ratings", name), message=f"a {sections.converter.topology} has no {part}",
                found=name, expected="ratings of the parts it has",
            )  # fmt: skip
