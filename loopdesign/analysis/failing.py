"""What a check without a stable operating point fails by, in a word: it grows, it is not held, it is out of reach."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from loopdesign.analysis.check import CheckResult

GROWS, NOT_HELD = "UNSTABLE", "NOT HELD"
ENDS = {
    "unstable at ": GROWS,
    "no operating point": "WITHOUT OPERATING POINT",
    "the output is out of reach": "OUT OF REACH",
}
"""What is said of tolerance ends whose sentences begin so, the worst first."""


def nominal_word(found: CheckResult) -> str:
    """Say what nominal corners without a stable operating point are.

    Parameters
    ----------
    found : CheckResult
        With at least one such corner.

    Returns
    -------
    str
        ``UNSTABLE``; ``NOT HELD`` where nothing grows, but the controller's bounds keep it from staying there.
    """
    grows = any(not v.worst_mode.stable for v in found.verdicts if not v.stable and v.regime is None)
    return GROWS if grows else NOT_HELD


def worst_end(found: CheckResult) -> tuple[str, str]:
    """Say what fails at temperatures and tolerance ends, with the sentence that the word is read from.

    Parameters
    ----------
    found : CheckResult
        With temperatures and tolerance ends.

    Returns
    -------
    tuple of str
        The word, and the sentence; empty where nothing is told.
    """
    told = () if found.beyond is None else found.beyond.reasons
    for begins, word in ENDS.items():
        for sentence in told:
            if sentence.startswith(begins):
                return word, sentence
    return NOT_HELD, told[0] if told else ""


def failing_word(found: CheckResult) -> str:
    """Say in a word what everything examined is, the worst of it.

    Parameters
    ----------
    found : CheckResult
        The check.

    Returns
    -------
    str
        ``stable``; what grows anywhere is ``UNSTABLE``; else what the nominal corners are, loads too light for a pulse
        every period by what the converter does there; else what the tolerance ends are.
    """
    if found.stable:
        return "stable"
    ends = "" if found.beyond is None or found.beyond.stable else worst_end(found)[0]
    if any(not v.stable and v.regime is None for v in found.verdicts):
        return GROWS if ends == GROWS else nominal_word(found)
    regimes = [str(word) for word in dict.fromkeys(v.regime for v in found.verdicts if v.regime is not None)]
    return ends if ends == GROWS or not regimes else ", ".join([*regimes, *([ends] if ends else [])])
