"""Values that are fine by themselves and hard to believe together: a slip of the prefix, a missing ramp."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.case.checks.estimate import lossless_estimate
from loopdesign.case.checks.problem import volts
from loopdesign.case.tables.control import PeakCurrentSection, ShuntOptocouplerSection
from loopdesign.case.tables.custom import CustomStage
from loopdesign.case.tables.demands import VoltageRegulated
from loopdesign.case.tables.stage import FlybackStage, TwoInductorStage
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopdesign.case.model import Case
    from loopdesign.case.tables.parts import CapacitorEntry

LEAST_RIPPLE, MOST_RIPPLE = 0.01, 20.0
"""Ripple over average current beyond which an inductance is hard to believe (common practice is 0.1 to 2)."""
USUAL_RIPPLE = 0.3
"""Ripple over average current that inductances are usually chosen for (common practice)."""
LEAST_SIGNAL, MOST_SIGNAL = 2e-3, 10.0
"""Sensed peak beyond which a sense gain is hard to believe [V]; controllers work with tens of millivolts to volts."""
STEEPEST = 20.0
"""Ramp over sensed down-slope beyond which a slope is hard to believe."""
MOST_LEAKAGE = 0.15
"""Leakage over L1 beyond which it is hard to believe (common practice is 0.005 to 0.05)."""
DISAGREE = 0.02
"""Share by which two statements about the same value may differ."""


def plausibility_warnings(case: Case) -> Iterator[str]:
    """Warn about values that are hard to believe together.

    Parameters
    ----------
    case : Case
        A valid case.

    Yields
    ------
    str
        One sentence each, beginning with the key.
    """
    if case.specification.output_current.highest == 0.0:
        return  # nothing to compare with
    own = isinstance(case.stage, CustomStage)
    if not own:
        yield from _inductances(case)
    if isinstance(case.modulator, PeakCurrentSection) and not own:
        yield from _sense_gain(case, case.modulator)
        yield from _slope(case, case.modulator)
    yield from _leakage(case)
    yield from _current_sense(case)
    yield from _optocoupler(case)
    yield from _voltage_load(case)
    yield from _temperature_curves(case)


def _inductances(case: Case) -> Iterator[str]:
    """Warn about inductors whose ripple is next to nothing or many times their current."""
    given = case.specification
    line, current = given.input_voltage.nominal, given.output_current.highest
    for winding in lossless_estimate(case, line, current).windings:
        share = winding.ripple / winding.average
        if LEAST_RIPPLE <= share <= MOST_RIPPLE:
            continue
        which = "large" if share < LEAST_RIPPLE else "small"
        usual = winding.inductance * share / USUAL_RIPPLE
        yield (
            f"stage.{winding.name}.inductance: "
            f"{format_quantity(getattr(case.stage, winding.name).inductance, 'H')} is unusually {which}: at "
            f"{volts(line)}, {format_quantity(current, 'A')} its ripple is {100 * share:.3g} % of its current; "
            f"{format_quantity(usual, 'H', 2)} would make {100 * USUAL_RIPPLE:.0f} %; check the prefix"
        )


def _leakage(case: Case) -> Iterator[str]:
    """Warn about a leakage that no transformer for this purpose has."""
    stage = case.stage
    if not isinstance(stage, FlybackStage) or stage.leakage is None:
        return
    share = stage.leakage.inductance / stage.L1.inductance
    if share > MOST_LEAKAGE:
        yield (
            f"stage.leakage.inductance: {format_quantity(stage.leakage.inductance, 'H')} is {100 * share:.3g} % of L1; "
            f"transformers have 0.5 % to 5 % (common practice); check the prefix"
        )


def _sense_gain(case: Case, modulator: PeakCurrentSection) -> Iterator[str]:
    """Warn about a sensed signal that no comparator is made for."""
    line, current = case.specification.input_voltage.lowest, case.specification.output_current.highest
    peak = lossless_estimate(case, line, current).peak_switch_current
    signal = modulator.sense_gain * peak
    if LEAST_SIGNAL <= signal <= MOST_SIGNAL:
        return
    which = "large" if signal > MOST_SIGNAL else "small"
    yield (
        f"modulator.sense_gain: {format_quantity(modulator.sense_gain, 'V/A')} is unusually {which}: a switch current "
        f"of {format_quantity(peak, 'A')} makes {volts(signal)} at the comparator; check the prefix (m is milli)"
    )


def _slope(case: Case, modulator: PeakCurrentSection) -> Iterator[str]:
    """Warn about a missing ramp above half duty, and of one that drowns the sensed signal."""
    line, current = case.specification.input_voltage.lowest, case.specification.output_current.highest
    at = lossless_estimate(case, line, current)
    fall = modulator.sense_gain * at.fall
    if modulator.slope == 0.0 and at.duty > 0.5 and at.continuous:
        yield (
            f"modulator.slope: without a ramp the current loop oscillates at half the switching frequency above 50 % "
            f"duty, and {volts(line)} needs about {100 * at.duty:.0f} %; half the sensed down-slope is "
            f"{format_quantity(0.5 * fall, 'V/s', 2)} (common practice)"
        )
    if modulator.slope is not None and modulator.slope > STEEPEST * fall:
        yield (
            f"modulator.slope: {format_quantity(modulator.slope, 'V/s')} is unusually steep, "
            f"{modulator.slope / fall:.3g} times the sensed down-slope of {format_quantity(fall, 'V/s')}; check "
            "the prefix"
        )


def _current_sense(case: Case) -> Iterator[str]:
    """Warn about a sense resistor that would regulate to another current than the highest specified one."""
    if case.current_sense is None or case.error_amplifier is None:
        return
    highest = case.specification.output_current.highest
    held = case.error_amplifier.reference / case.current_sense.resistance
    if abs(held / highest - 1.0) > DISAGREE:
        yield (
            f"current_sense.resistance: the reference sets {format_quantity(held, 'A')}, the highest regulated current "
            f"is {format_quantity(highest, 'A')}; operating points use the specified currents"
        )


def _optocoupler(case: Case) -> Iterator[str]:
    """Tell of an optocoupler of which not all is said that its operating point depends on."""
    given = case.error_amplifier
    if not isinstance(given, ShuntOptocouplerSection):
        return
    keys = ("led_drop", "regulator_minimum_voltage", "regulator_minimum_current", "saturation_voltage")
    if given.pull_up_supply is None:
        for key in keys:
            if getattr(given, key) is not None:
                yield f"error_amplifier.{key}: nothing follows from it without pull_up_supply"
        return
    open_keys = [key for key in keys if getattr(given, key) is None]
    if open_keys:
        yield (
            f"error_amplifier.pull_up_supply: {', '.join(open_keys)} not given and counted as zero, so that the "
            "control voltage is allowed all that the pull-up could deliver at best"
        )


def _voltage_load(case: Case) -> Iterator[str]:
    """Warn about load currents that the voltage load does not draw at the regulated voltage."""
    given = case.specification
    if not isinstance(given, VoltageRegulated) or given.voltage_load is None:
        return
    drawn = (given.output_voltage - given.voltage_load.drop) / given.voltage_load.resistance
    others = [i for i in given.output_current.values if abs(i / drawn - 1.0) > DISAGREE]
    if others:
        listed = ", ".join(format_quantity(i, "A") for i in others)
        yield (
            f"specification.voltage_load: at {volts(given.output_voltage)} it draws {format_quantity(drawn, 'A')}, not "
            f"{listed}; operating points use output_current, with the drop that this needs"
        )


def _temperature_curves(case: Case) -> Iterator[str]:
    """Warn about temperatures at which a curve has to be read beyond its ends."""
    temperature = case.specification.temperature
    lowest = case.nominal_temperature if temperature is None else temperature.lowest
    highest = case.nominal_temperature if temperature is None else temperature.highest
    for key, part in _capacitors(case):
        if part.temperature_curve is None:
            continue
        first, last = part.temperature_curve[0][0], part.temperature_curve[-1][0]
        for degrees, end, which in ((lowest, first, "below"), (highest, last, "above")):
            if (degrees < end) if which == "below" else (degrees > end):
                yield (
                    f"{key}.temperature_curve: {format_quantity(degrees, 'degC')} lies {which} its last point at "
                    f"{format_quantity(end, 'degC')}, whose shares are used"
                )


def _capacitors(case: Case) -> Iterator[tuple[str, CapacitorEntry]]:
    """Yield every capacitor with the key it stands under."""
    for index, part in enumerate(case.stage.Co):
        yield ("stage.Co" if len(case.stage.Co) == 1 else f"stage.Co.{index}"), part
    if isinstance(case.stage, TwoInductorStage):
        yield "stage.Cs", case.stage.Cs
    if case.input_filter is not None:
        yield "input_filter.C", case.input_filter.C
    if case.output_filter is not None:
        yield "output_filter.C", case.output_filter.C
