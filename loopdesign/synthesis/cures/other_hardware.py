"""Cases with other parts around the loop, each changed in one respect: what may help where no compensation does."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign import case as cases
from loopdesign.synthesis.cures.damping import propose_damper
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopdesign.analysis.check import ExaminedStage

MORE_CAPACITORS = (2, 3)
"""Output capacitors in parallel in place of each."""
OTHER_SLOPES = (0.5, 2.0)
"""Factors on the slope."""


def other_hardware(case: cases.Case, plain: ExaminedStage) -> Iterator[tuple[str, float, cases.Case]]:
    """Yield what is changed, how large the change is relative to what it changes, and the case with it.

    Parameters
    ----------
    case
        The case.
    plain
        Conditions of line and load, nominal parts.

    Yields
    ------
    tuple of str, float and Case
        More output capacitors, a damper across the coupling capacitor, another slope, another LED resistor.
    """
    yield from _capacitors(case)
    yield from _damper(case, plain)
    yield from _slopes(case)
    yield from _led(case)


def _with_stage(case: cases.Case, **update: object) -> cases.Case:
    return case.model_copy(update={"stage": case.stage.model_copy(update=update)})


def _capacitors(case: cases.Case) -> Iterator[tuple[str, float, cases.Case]]:
    if isinstance(case.stage, cases.CustomStage):
        return  # which of its capacitors would help is not known
    for more in MORE_CAPACITORS:
        parts = tuple(part.model_copy(update={"count": part.count * more}) for part in case.stage.Co)
        yield f"{more} of each output capacitor in parallel", more - 1.0, _with_stage(case, Co=parts)


def _damper(case: cases.Case, plain: ExaminedStage) -> Iterator[tuple[str, float, cases.Case]]:
    if not isinstance(case.stage, cases.TwoInductorStage) or case.stage.damper is not None:
        return
    found = propose_damper(plain)
    ohm, farad = format_quantity(found.resistance, "ohm"), format_quantity(found.capacitance, "F")
    damper = cases.Damper(resistance=found.resistance, capacitance=found.capacitance)
    yield f"a damper of {ohm} and {farad} across Cs", 1.0, _with_stage(case, damper=damper)


def _slopes(case: cases.Case) -> Iterator[tuple[str, float, cases.Case]]:
    given = case.modulator
    if given.scheme != "peak current" or not given.slope:
        return
    for factor in OTHER_SLOPES:
        slope = factor * given.slope
        changed = case.model_copy(update={"modulator": given.model_copy(update={"slope": slope})})
        yield f"a slope of {slope / 1e3:.3g} mV/us", abs(factor - 1.0), changed


def _led(case: cases.Case) -> Iterator[tuple[str, float, cases.Case]]:
    given = case.error_amplifier
    if given is None or given.kind != "shunt optocoupler" or given.led_supply is not None:
        return
    more = 2.0 * given.led_resistance
    changed = case.model_copy(update={"error_amplifier": given.model_copy(update={"led_resistance": more})})
    yield f"an LED resistor of {format_quantity(more, 'ohm')}", 1.0, changed
