"""Words of the verdict, used alike by terminal, tables, plots and page."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from loopdesign.analysis.failing import GROWS, nominal_word, worst_end
from loopdesign.analysis.findings.corner import corner_name, instabilities
from loopdesign.analysis.findings.worst import reading_place
from loopdesign.analysis.readings import readings_of
from loopdesign.units.quantities import format_quantity, percent

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.responses import FrequencyResponse
    from loopdesign.models.verdict import Verdict


ALARMS = ("UNSTABLE", "NOT HELD", "OUT OF REACH", "WITHOUT OPERATING POINT", "MISSED", "EXCEEDED")
"""Words that are painted or set bold wherever they stand; ``document.typ`` has the same list."""


def stable_word(stable: bool) -> str:
    """Say ``stable`` or ``UNSTABLE``."""
    return "stable" if stable else GROWS


def held_word(held: str) -> str:
    """Say that a controller does not stay at an operating point, and why, such as ``NOT HELD (clamp)``."""
    return f"NOT HELD ({held})"


def verdict_word(verdict: Verdict, *, current_loop: bool = False) -> str:
    """Say ``stable``, ``UNSTABLE``, ``NOT HELD`` with the reason, or what it does at a load that is too light.

    Parameters
    ----------
    verdict
        The verdict of one operating point.
    current_loop
        Whether that of the current loop alone is asked for [unitless].

    Returns
    -------
    str
        What grows is ``UNSTABLE`` whether the controller holds it or not; ``skips pulses`` and ``output rises`` are
        neither.
    """
    if current_loop:
        return stable_word(verdict.current_loop_stable)
    return judged_word(verdict) if verdict.regime is None else verdict.regime


def judged_word(found: Verdict | FrequencyResponse) -> str:
    """Say the same of whatever carries a verdict of its operating point."""
    if found.held is not None and found.worst_mode.stable:
        return held_word(found.held)
    return stable_word(found.stable)


def missed(found: CheckResult, item: int) -> tuple[str, ...]:
    """Name what one corner fails: stability or that it is not held, current loop, margins and crossover.

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
    if verdict.regime is not None:
        return (verdict.regime,)
    told = [] if verdict.stable else ["not held" if verdict.worst_mode.stable else "stability"]
    if verdict.current_loop_worst_mode.beyond_the_loop and (found.margins or verdict.stable):
        told.append("current loop")
    if not found.margins or verdict.held is not None:
        return tuple(told)  # no margin is shown of a corner that is not kept
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
    unstable = sum(not v.stable and v.regime is None for v in found.verdicts)
    total, light = len(found.verdicts), _light_words(found)
    loop = "" if found.margins else " with the control voltage held, no loop is given"
    if unstable or light:
        told = [f"{nominal_word(found)} at {unstable}"] if unstable else []
        more = "" if unstable else _more(found)
        return f"Verdict: {', '.join([*told, *light])} of {total} corners{more}{loop}"
    inner = sum(v.current_loop_worst_mode.beyond_the_loop for v in found.verdicts)
    if inner and found.margins:
        nominal, more = " with nominal parts" if found.beyond else "", _more(found)
        return f"Verdict: stable{nominal}, but the current loop alone is UNSTABLE at {inner} of {total} corners{more}"
    if not found.stable:
        return f"Verdict: stable with nominal parts, {worst_end(found)[0]} at some {_beyond_words(found)}{loop}"
    return f"Verdict: stable{_targets(found) if found.margins else loop}"


def _light_words(found: CheckResult) -> list[str]:
    """Say at how many corners the load is too light for a pulse every period, and what the converter does there."""
    regimes = Counter(v.regime for v in found.verdicts if v.regime is not None)
    return [f"{word} at {count}" for word, count in regimes.items()]


def _besides(found: CheckResult) -> tuple[str, ...]:
    """Return what fails besides light loads and the current loop at nominal corners, which have words of their own."""
    light = tuple(f"{corner_name(found.conditions, i)}: " for i, v in enumerate(found.verdicts) if v.regime is not None)
    inner = instabilities(found.conditions, found.verdicts)
    return tuple(told for told in found.reasons if not told.startswith(light) and told not in inner)


def _more(found: CheckResult) -> str:
    """Say in a headline that more fails; nothing where nothing does."""
    return _unstable_ends(found).replace(",", ";") or ("; more fails" if _besides(found) else "")


def _unstable_ends(found: CheckResult) -> str:
    """Say that something grows beyond nominal parts; nothing where nothing does, or nominal parts alone are known."""
    grows = worst_end(found)[0] == GROWS
    return f", UNSTABLE at some {_beyond_words(found)}" if grows else ""


def _targets(found: CheckResult) -> str:
    """Say whether the targets are met, as the end of a headline."""
    failing = dict.fromkeys(word for item in range(len(found.verdicts)) for word in missed(found, item))
    step, limit = found.step_deviation, found.case.targets.step_deviation
    if step is not None and limit is not None and step.failures(limit):
        failing["step deviation"] = None
    ripple, limit = found.output_ripple, found.case.targets.output_ripple
    if ripple is not None and limit is not None and ripple.value > limit:
        failing["output ripple"] = None
    if failing:
        return f", but targets are MISSED: {', '.join(failing)}"
    if found.beyond is not None and found.beyond.reasons:
        return f", but targets are MISSED at some {_beyond_words(found)}"
    return ", every target met" if found.targets_met else ", but targets are MISSED"


def verdict_sentence(found: CheckResult) -> str:
    """Put the verdict in a sentence or two that say what it covers, the worst first."""
    covered, total = coverage(found), len(found.verdicts)
    unstable = [i for i, v in enumerate(found.verdicts) if not v.stable and v.regime is None]
    light = [i for i, v in enumerate(found.verdicts) if v.regime is not None]
    inner = [i for i, v in enumerate(found.verdicts) if v.current_loop_worst_mode.beyond_the_loop]
    subject = "" if found.margins else "No loop is given. With the control voltage held the converter is "
    where, examined = covered, ""
    if found.beyond is not None:
        where, examined = f"{total} nominal corner{'s' if total > 1 else ''}", f" Examined at {covered}."
    if unstable:
        word = nominal_word(found)
        tail = "; a margin read from a plot proves nothing there" if found.margins and word == GROWS else ""
        number = f"{len(unstable)} of " if total > 1 or found.beyond is not None else ""
        told = f"{subject}{word} at {number}{where}: {_worst_mode(found, unstable)}{tail}."
        return f"{told}{_light_sentence(found, light)}{examined}"
    if light or (inner and found.margins):
        nominal = "" if found.beyond is None else " with nominal parts"
        rest = f"{nominal} at the other {total - len(light)}" if light else f"{nominal} with the loop closed"
        head = "" if len(light) == total else f"Stable{rest} of {where}" if light else f"Stable{rest} at {where}"
        alone = f", but {_worst_current_loop(found, inner)}" if inner else ""
        besides = f" What fails besides: {'; '.join(more)}." if (more := _besides(found)) else ""
        head += _unstable_ends(found) if head else ""
        return f"{head}{alone}{'.' if head else ''}{_light_sentence(found, light)}{besides}{examined}".lstrip()
    if found.beyond is not None and not found.beyond.stable:
        word, told = worst_end(found)
        before = subject or "Stable with nominal parts, "
        return f"{before}{word} at some {_beyond_words(found)}: {told}.{examined}"
    if not found.margins:
        return f"{subject}stable at {covered}; there is no margin to read."
    if not found.targets_met:
        return f"Stable at {covered}, but targets are MISSED: {'; '.join(found.reasons)}."
    return f"Stable with every target met at {covered}{_least_margin(found)}."


def _light_sentence(found: CheckResult, light: Sequence[int]) -> str:
    """Say where the load is too light for a pulse every period; nothing where it is nowhere."""
    if not light:
        return ""
    words = dict.fromkeys(found.verdicts[i].regime for i in light)
    places = [
        f"{word} at {sum(found.verdicts[i].regime == word for i in light)} "
        f"({', '.join(corner_name(found.conditions, i) for i in light if found.verdicts[i].regime == word)})"
        for word in words
    ]
    return f" Not regulated by a pulse every period: {', '.join(places)}."


def coverage(found: CheckResult) -> str:
    """Say what was examined, such as "6 nominal corners and the worst tolerance ends (54 points)"."""
    k, examined = found.conditions, found.examined
    if examined.tolerance_ends:
        parts = [f"{len(k)} nominal corner{'s' if len(k) > 1 else ''}"]
        parts += [f"{examined.temperatures} temperatures"] if examined.temperatures > 1 else []
        parts += ["the worst tolerance ends"] if examined.toleranced_values else []
        if len(parts) > 1:
            return f"{', '.join(parts[:-1])} and {parts[-1]} ({examined.points} points)"
        return f"{parts[0]} (nothing has a tolerance, at one temperature)"
    left = "nominal parts; tolerances and temperatures left out"
    if len(k) == 1:
        return f"the only corner ({corner_name(k, 0)}, {left})"
    counts = ((k.input_voltage, "input voltage"), (k.load_current, "load current"))
    told = [f"{n} {word}{'s' if n > 1 else ''}" for values, word in counts if (n := len(set(values.tolist())))]
    return f"{len(k)} corners ({', '.join([*told, left])})"


def _beyond_words(found: CheckResult) -> str:
    """Name what was examined beyond nominal parts."""
    examined = found.examined
    words = ["temperature"] if examined.temperatures > 1 else []
    words += ["tolerance ends"] if examined.toleranced_values else []
    return " or ".join(words) or "points"


def _worst_current_loop(found: CheckResult, inner: Sequence[int]) -> str:
    """Say where the current loop alone grows fastest."""
    worst = max(inner, key=lambda i: abs(found.verdicts[i].current_loop_worst_mode.multiplier))
    w = found.verdicts[worst].current_loop_worst_mode
    return (
        f"the current loop alone is UNSTABLE at {len(inner)} of {len(found.verdicts)}: at "
        f"{corner_name(found.conditions, worst)}, {w.name} at {format_quantity(w.frequency_hz, 'Hz')}"
    )


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
        f"{percent(abs(w.multiplier) - 1.0)} per switching period"
    )


def _least_margin(found: CheckResult) -> str:
    worst = found.worst["phase_margin_deg"]
    if worst is None:
        return ""
    place = reading_place(worst, temperature=found.examined.temperatures > 1)
    return f"; least phase margin {worst.value:.1f} deg at {place}"
