"""Words of the verdict, used alike by terminal, tables, plots and page."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.analysis.findings.worst import with_ends
from loopdesign.analysis.readings import readings_of
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Sequence

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
    if verdict.current_loop_worst_mode.beyond_the_loop and (found.margins or verdict.stable):
        told.append("current loop")
    if not found.margins:
        return tuple(told)
    one = slice(item, item + 1)
    misses = found.limits.misses(readings_of(found.margins[one], found.verdicts[one]))
    failing = [found.limits[name] for name, miss in misses.items() if miss[0] > 0.0]
    told += ["crossover" if limit.reading == "crossover_hz" else limit.words for limit in failing]
    return tuple(dict.fromkeys(told))


def status_word(found: CheckResult, item: int) -> str:
    """Say ``ok``, or ``MISSED`` with what one corner fails."""
    told = missed(found, item)
    return "MISSED: " + ", ".join(told) if told else "ok"


def headline(found: CheckResult) -> str:
    """Say the verdict in a few words, as the first thing a person reads."""
    unstable, total = sum(not v.stable for v in found.verdicts), len(found.verdicts)
    loop = "" if found.margins else " with the control voltage held, no loop is given"
    if unstable:
        return f"Verdict: UNSTABLE at {unstable} of {total} corners{loop}"
    inner = sum(v.current_loop_worst_mode.beyond_the_loop for v in found.verdicts)
    if inner and found.margins:
        return f"Verdict: stable, but the current loop alone is UNSTABLE at {inner} of {total} corners"
    if not found.margins:
        return f"Verdict: stable{loop}"
    if not found.stable_beyond:
        return "Verdict: stable at nominal corners, UNSTABLE at some temperature or tolerance end"
    failing = dict.fromkeys(word for item in range(total) for word in missed(found, item))
    step, limit = found.step_deviation, found.case.targets.step_deviation
    if step is not None and limit is not None and step.failures(limit):
        failing["step deviation"] = None
    if not found.targets_met:
        return f"Verdict: stable, but targets are MISSED{': ' if failing else ''}{', '.join(failing)}"
    return "Verdict: stable, every target met"


BEYOND = ("the output is out of reach", "unstable (largest", "not held by")
"""How the reasons of a temperature or tolerance end begin that is not stable."""


def verdict_sentence(found: CheckResult) -> str:
    """Put the verdict in one sentence that says what it covers, the worst first."""
    covered = coverage(found)
    unstable = [i for i, v in enumerate(found.verdicts) if not v.stable]
    subject = "" if found.margins else "No loop is given. With the control voltage held the converter is "
    if unstable:
        tail = "; a margin read from a plot proves nothing there" if found.margins else ""
        return f"{subject}UNSTABLE at {len(unstable)} of {covered}: {_worst_mode(found, unstable)}{tail}."
    if not found.margins:
        return f"{subject}stable at {covered}; there is no margin to read."
    inner = [i for i, v in enumerate(found.verdicts) if v.current_loop_worst_mode.beyond_the_loop]
    if inner:
        worst = max(inner, key=lambda i: abs(found.verdicts[i].current_loop_worst_mode.multiplier))
        w = found.verdicts[worst].current_loop_worst_mode
        return (
            f"Stable with the loop closed at {covered}, but the current loop alone is UNSTABLE at {len(inner)} of "
            f"{len(found.verdicts)}: at {corner_name(found.conditions, worst)}, {w.name} at "
            f"{format_quantity(w.frequency_hz, 'Hz')}."
        )
    if not found.stable_beyond:
        where = next((r for r in found.reasons if r.startswith(BEYOND)), "see the reasons")
        count = len(found.conditions)
        return f"Stable at {count} nominal corners, but NOT at every temperature and tolerance end: {where}."
    if not found.targets_met:
        return f"Stable at {covered}, but targets are MISSED: {'; '.join(found.reasons)}."
    return f"Stable with every target met at {covered}{_least_margin(found)}."


def coverage(found: CheckResult) -> str:
    """Say which operating points were examined, such as "6 corners (3 input voltages, 2 load currents ...)"."""
    k = found.conditions
    if len(k) == 1 and found.examined is None:
        return f"the only corner ({corner_name(k, 0)}, nominal parts)"
    counts = ((k.input_voltage, "input voltage"), (k.load_current, "load current"))
    told = [f"{n} {word}{'s' if n > 1 else ''}" for values, word in counts if (n := len(set(values.tolist())))]
    if found.examined is not None:
        count = found.examined.temperatures
        heat = f"{count} temperature{'s' if count > 1 else ''}"
        return f"{len(k)} nominal corners, {heat} and the worst tolerance ends ({found.examined.points} points)"
    return f"{len(k)} corners ({', '.join([*told, 'nominal parts'])})"


def _worst_mode(found: CheckResult, unstable: Sequence[int]) -> str:
    """Say where the worst mode grows, and how fast; or where the controller does not keep the operating point."""
    growing = [i for i in unstable if not found.verdicts[i].worst_mode.stable]
    if not growing:
        word = found.verdicts[unstable[0]].held
        return (
            f"at {corner_name(found.conditions, unstable[0])} the controller does not keep its operating point ({word})"
        )
    worst = max(growing, key=lambda i: found.verdicts[i].largest_multiplier)
    w = found.verdicts[worst].worst_mode
    return (
        f"at {corner_name(found.conditions, worst)} the {w.name} at {format_quantity(w.frequency_hz, 'Hz')} grows by "
        f"{100.0 * (abs(w.multiplier) - 1.0):.2g} % per switching period"
    )


def _least_margin(found: CheckResult) -> str:
    worst = found.worst.get("phase_margin_deg")
    if worst is not None:
        place = f"{worst.input_voltage:.4g} V, {worst.load_current:.3g} A, {worst.temperature:.3g} degC"
        return f"; least phase margin {worst.value:.1f} deg at {place}{with_ends(worst.ends)}"
    present = [(m.phase_margin_deg, i) for i, m in enumerate(found.margins) if m.phase_margin_deg is not None]
    if not present:
        return ""
    value, item = min(present)
    return f"; least phase margin {value:.1f} deg at {corner_name(found.conditions, item)}"
