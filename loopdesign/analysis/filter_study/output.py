"""Study of a case's output filter: what a second stage between the bank and the load does to the loop.

Its inductor rings with the filter capacitor and the bank in series. Sensed behind the filter, the loop sees that
resonance with its turn of phase; sensed before it, the loop is spared and the load sees an output impedance that no
feedback lowers. Which of the two is worse is not decided by a rule: the loop is examined with the filter, without it,
and with the damper that is proposed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.check import closed_model, examine_stage, loop_margins
from loopdesign.analysis.filter_study.optimum import parallel_rc
from loopdesign.case import Damper
from loopdesign.models.switched import loop_gain, output_impedance
from loopdesign.models.verdict import verdicts
from loopdesign.units.preferred import between, round_to
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.margins.margins import LoopMargins
    from loopdesign.models.verdict import Verdict

CLEAR_DB = -6.0
"""Loop gain at the resonance above which a damper is proposed [dB]; common practice is to stay well below one."""
RATIO = 4.0
"""Damper capacitance over filter capacitance that is proposed (common practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputFilterSide:
    """The closed loop with one form of the output filter.

    Attributes
    ----------
    margins
        One per corner.
    verdicts
        One per corner.
    loop_at_resonance_db
        (B,) size of the loop gain at the filter's resonance [dB].
    peak_impedance
        (B,) largest size of the output impedance at the load near the resonance [ohm].
    """

    margins: tuple[LoopMargins, ...]
    verdicts: tuple[Verdict, ...]
    loop_at_resonance_db: NDArray[np.float64]
    peak_impedance: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class OutputFilterStudy:
    """What an output filter does to the loop.

    Attributes
    ----------
    stage
        The power stage with the filter, at every corner.
    resonance_hz
        Resonance of the inductor with its capacitor and the bank in series, parts without damper [Hz].
    attenuation_db
        What the filter leaves of the ripple at the switching frequency [dB].
    sense
        ``after`` or ``before``.
    as_given, without
        The loop with the filter as the case has it, and with the filter left out.
    damper
        Resistance [ohm] and capacitance [F] proposed; None where none is needed.
    damped
        The loop with the proposed damper.
    """

    stage: ExaminedStage
    resonance_hz: float
    attenuation_db: float
    sense: str
    as_given: OutputFilterSide
    without: OutputFilterSide
    damper: tuple[float, float] | None
    damped: OutputFilterSide | None


def output_filter_study(case: cases.Case, parts: Mapping[str, float]) -> OutputFilterStudy | None:
    """Study the output filter of a case.

    Parameters
    ----------
    case : Case
        The case.
    parts : mapping of str to float
        Compensation parts by designator, 0.0 where not fitted [ohm], [F].

    Returns
    -------
    OutputFilterStudy or None
        None where the case has no output filter, or no loop.
    """
    given = case.output_filter
    if given is None or not parts:
        return None
    C, Co = given.C.capacitance * given.C.count, sum(c.capacitance * c.count for c in case.stage.Co)
    series = C * Co / (C + Co)
    resonance = 1.0 / (2.0 * np.pi * np.sqrt(given.L.inductance * series))
    stage = examine_stage(case)
    as_given = _side(case, parts, resonance, stage)
    without = _side(case.model_copy(update={"output_filter": None}), parts, resonance)
    damper, damped = None, None
    if given.damper is None and _needs_damping(as_given):
        capacitance = float(between("E6", RATIO * C, 2.0 * RATIO * C)[0])
        exact = parallel_rc(given.L.inductance, C, capacitance / C)
        damper = (float(round_to("E24", exact.resistance)), capacitance)
        entry = given.model_copy(update={"damper": Damper(resistance=damper[0], capacitance=damper[1])})
        damped = _side(case.model_copy(update={"output_filter": entry}), parts, resonance)
    return OutputFilterStudy(
        stage=stage, resonance_hz=float(resonance), attenuation_db=_attenuation(case), sense=given.sense,
        as_given=as_given, without=without, damper=damper, damped=damped,
    )  # fmt: skip


def _side(
    case: cases.Case, parts: Mapping[str, float], resonance_hz: float, stage: ExaminedStage | None = None
) -> OutputFilterSide:
    stage = examine_stage(case) if stage is None else stage
    loop = closed_model(case, stage, parts)
    highest = 0.49 * case.converter.switching_frequency
    near = np.geomspace(min(0.5 * resonance_hz, 0.5 * highest), min(2.0 * resonance_hz, highest), 101)
    return OutputFilterSide(
        margins=loop_margins(loop),
        verdicts=verdicts(stage.model, loop),
        loop_at_resonance_db=20.0 * np.log10(np.abs(loop_gain(loop, near)).max(axis=1)),
        peak_impedance=np.abs(output_impedance(loop, near)).max(axis=1),
    )


def _needs_damping(side: OutputFilterSide) -> bool:
    """Whether the resonance comes near a loop gain of one, or a corner is not stable."""
    return bool((side.loop_at_resonance_db > CLEAR_DB).any()) or not all(v.stable for v in side.verdicts)


def _attenuation(case: cases.Case) -> float:
    """Voltage behind the filter over that before it at the switching frequency [dB]."""
    given = case.output_filter
    if given is None:
        return 0.0
    s = 2j * np.pi * case.converter.switching_frequency
    n = given.C.count
    admittance = 1.0 / (given.C.esr / n + 1.0 / (s * given.C.capacitance * n))
    if given.damper is not None:
        admittance += 1.0 / (given.damper.resistance + 1.0 / (s * given.damper.capacitance))
    series = given.L.resistance + s * given.L.inductance
    return float(20.0 * np.log10(abs(1.0 / (1.0 + series * admittance))))


def output_filter_sentences(study: OutputFilterStudy) -> tuple[str, ...]:
    """Say what an output filter does to the loop.

    Parameters
    ----------
    study : OutputFilterStudy
        The study.

    Returns
    -------
    tuple of str
        Sentences, the most important first.
    """
    given, without = study.as_given, study.without
    rings = (
        f"the output filter rings at {format_quantity(study.resonance_hz, 'Hz')} and attenuates the ripple at the "
        f"switching frequency by {-study.attenuation_db:.1f} dB; the feedback senses {study.sense} it"
    )
    told = [rings]
    grow = sum(not v.worst_mode.stable for v in given.verdicts)
    lost = sum(not v.stable for v in given.verdicts) - grow
    bad = [f"{n} of {len(given.verdicts)} corners {word}" for n, word in ((grow, "UNSTABLE"), (lost, "NOT HELD")) if n]
    if bad:
        told.append(f"with it: {', '.join(bad)}")
    told.append(
        f"least phase margin {_least(given, 'phase_margin_deg', 'deg')} (without the filter "
        f"{_least(without, 'phase_margin_deg', 'deg')}), least gain margin {_least(given, 'gain_margin_db', 'dB')} "
        f"(without {_least(without, 'gain_margin_db', 'dB')}); the loop gain near the resonance is at most "
        f"{given.loop_at_resonance_db.max():.1f} dB, the output impedance at the load at most "
        f"{format_quantity(float(given.peak_impedance.max()), 'ohm')} (without "
        f"{format_quantity(float(without.peak_impedance.max()), 'ohm')})"
    )
    if study.damper is not None and study.damped is not None:
        resistance, capacitance = study.damper
        stable = "stable at every corner" if all(v.stable for v in study.damped.verdicts) else "still not stable"
        told.append(
            f"a damper is proposed, {format_quantity(resistance, 'ohm')} in series with "
            f"{format_quantity(capacitance, 'F')} across its capacitor: with it the loop is {stable}, "
            f"least phase margin {_least(study.damped, 'phase_margin_deg', 'deg')}, least gain margin "
            f"{_least(study.damped, 'gain_margin_db', 'dB')}, and the loop gain near the resonance at most "
            f"{study.damped.loop_at_resonance_db.max():.1f} dB"
        )
    return tuple(told)


def _least(side: OutputFilterSide, name: str, unit: str) -> str:
    """Write the least reading of all corners."""
    values = [getattr(m, name) for m in side.margins if getattr(m, name) is not None]
    return f"{min(values):.3g} {unit}" if values else "none"
