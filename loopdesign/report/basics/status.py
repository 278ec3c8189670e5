"""Words of the verdict, used alike by terminal, tables, plots and page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.analysis.check import corner_name
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.analysis.check import CheckResult


def stable_word(stable: bool) -> str:
    """Say ``stable`` or ``UNSTABLE``."""
    return "stable" if stable else "UNSTABLE"


def missed(found: CheckResult, item: int) -> tuple[str, ...]:
    """Name what one corner fails: stability, current loop, margins and crossover.

    Parameters
    ----------
    found
        The assessment.
    item
        Corner, counted from zero.

    Returns
    -------
    tuple of str
        Empty where the corner meets everything.
    """
    verdict = found.verdicts[item]
    told = [] if verdict.stable else ["stability"]
    if verdict.current_loop_worst.beyond_the_loop and (found.margins or verdict.stable):
        told.append("current loop")
    if not found.margins:
        return tuple(told)
    m = found.margins[item]
    readings = {
        "phase margin": (m.phase_margin_deg, "phase_margin"),
        "gain margin": (m.gain_margin_db, "gain_margin"),
        "modulus margin": (m.modulus_margin, "modulus_margin"),
    }
    told += [words for words, (value, key) in readings.items() if value is not None and value < found.limit(key)]
    if m.crossover_hz is None or m.crossover_hz > found.limit("crossover_limit"):
        told.append("crossover")
    return tuple(told)


def status_word(found: CheckResult, item: int) -> str:
    """Say ``ok``, or ``MISSED`` with what one corner fails."""
    told = missed(found, item)
    return "MISSED: " + ", ".join(told) if told else "ok"


def verdict_sentence(found: CheckResult) -> str:
    """Put the verdict over all corners in plain words, the worst first."""
    count = len(found.verdicts)
    corners = "the only corner" if count == 1 else f"all {count} corners"
    subject = "" if found.margins else "No loop is given. With the control voltage held the converter is "
    unstable = [i for i, v in enumerate(found.verdicts) if not v.stable]
    if unstable:
        return subject + _unstable_sentence(found, unstable)
    if not found.margins:
        return f"{subject}stable at {corners}; there is no margin to read."
    inner = [i for i, v in enumerate(found.verdicts) if v.current_loop_worst.beyond_the_loop]
    if inner:
        worst = max(inner, key=lambda i: abs(found.verdicts[i].current_loop_worst.multiplier))
        w = found.verdicts[worst].current_loop_worst
        mode = f"{w.name} at {format_quantity(w.frequency_hz, 'Hz')}"
        return (
            f"Stable at {corners} with the loop closed, but the current loop alone is UNSTABLE at {len(inner)} of "
            f"{len(found.verdicts)}: at {corner_name(found.conditions, worst)} by the {mode}."
        )
    if not found.targets_met:
        return f"Stable at {corners}, but targets are MISSED: {'; '.join(found.reasons)}."
    return f"Stable at {corners} and every target met{_least_margin(found)}."


def _unstable_sentence(found: CheckResult, unstable: list[int]) -> str:
    worst = max(unstable, key=lambda i: found.verdicts[i].largest_multiplier)
    w = found.verdicts[worst].worst
    tail = "; a margin read from a plot proves nothing there" if found.margins else ""
    return (
        f"UNSTABLE at {len(unstable)} of {len(found.verdicts)} corner{'s' if len(found.verdicts) > 1 else ''}: at "
        f"{corner_name(found.conditions, worst)} the {w.name} at {format_quantity(w.frequency_hz, 'Hz')} grows by "
        f"{100.0 * (abs(w.multiplier) - 1.0):.2g} % per switching period{tail}."
    )


def _least_margin(found: CheckResult) -> str:
    present = [(m.phase_margin_deg, i) for i, m in enumerate(found.margins) if m.phase_margin_deg is not None]
    if not present:
        return ""
    value, item = min(present)
    return f"; the smallest phase margin is {value:.1f} degrees, at {corner_name(found.conditions, item)}"
