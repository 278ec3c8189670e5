"""Cases side by side: what differs in their inputs and margins, and which is worse than the first."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.failing import GROWS, failing_word
from loopdesign.analysis.grids import band
from loopdesign.case import Levels, Tolerance
from loopdesign.models.switched import loop_gain

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.findings.step import StepDeviation
    from loopdesign.case import Case

LEFT_OUT = frozenset({"title", "notes", "source", "warnings", "document", "candidates"})
"""Keys that say nothing of the circuit."""
HELD = {
    "phase_margin_deg": ("phase margin", " deg"), "gain_margin_db": ("gain margin", " dB"),
    "modulus_margin": ("modulus margin", ""),
}  # fmt: skip
"""Readings whose loss makes a case worse, with their units."""
READINGS = (*HELD, "crossover_hz", "lowest_crossover_hz", "largest_multiplier")
ROUNDING = 1e-6
"""Share of a reading that is no difference."""
POINTS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """Cases side by side, the first being what the others are held against.

    Attributes
    ----------
    names : tuple of str
        What each case (N,) is called.
    checks : tuple of CheckResult
        Its check.
    differences : tuple of tuple
        Inputs that differ: the path, and what each case has there; None where it has nothing.
    step_deviations : tuple of StepDeviation or None
        Largest departure at the load step; None where a case makes none.
    worse : tuple of tuple of str
        For each case, by what it is worse than the first; empty for the first.
    frequencies_hz, loops : ndarray (F,), ndarray (N, F)
        Loop gain of each case at its nominal corner with the least phase margin of those that its controller holds; NaN
        where it has none.
    places : tuple of str
        Those corners in words.
    """

    names: tuple[str, ...]
    checks: tuple[CheckResult, ...]
    differences: tuple[tuple[str, tuple[object, ...]], ...]
    step_deviations: tuple[StepDeviation | None, ...]
    worse: tuple[tuple[str, ...], ...]
    frequencies_hz: NDArray[np.float64]
    loops: NDArray[np.complex128]
    places: tuple[str, ...]

    @property
    def any_worse(self) -> bool:
        """Whether a case is worse than the first."""
        return any(self.worse)

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the comparison into one row per case.

        Returns
        -------
        list of dict
            Name, verdict, the worst of each reading, parts, and by what it is worse than the first.
        """
        rows = []
        for k, check in enumerate(self.checks):
            worst = {n: None if (w := check.worst[n]) is None else w.value for n in READINGS}
            step = self.step_deviations[k]
            rows.append(
                {
                    "case": self.names[k], "title": check.case.title, "stable": check.stable,
                    "targets_met": check.targets_met, **worst,
                    "peak_deviation_v": None if step is None else step.peak_deviation_v,
                    "parts": dict(check.parts), "worse": list(self.worse[k]),
                }
            )  # fmt: skip
        return rows

    def to_dict(self) -> dict[str, Any]:
        """Turn the comparison into plain values, ready for JSON.

        Returns
        -------
        dict
            ``cases`` (one row each, with where each reading is worst), ``differences`` and ``any_worse``.
        """
        cases = self.to_rows()
        for row, check in zip(cases, self.checks, strict=True):
            row["worst"] = {n: None if w is None else w.to_dict() for n, w in check.worst.items()}
            row["examined"] = check.examined.to_dict()
        differ = [{"key": key, "values": [plain_input(v) for v in values]} for key, values in self.differences]
        return {"cases": cases, "differences": differ, "any_worse": self.any_worse}


def compared(
    checks: Sequence[tuple[str, CheckResult]],
    step_deviations: Sequence[StepDeviation | None],
    *,
    slack: float = 0.0,
) -> Comparison:
    """Set cases side by side.

    Parameters
    ----------
    checks : sequence of (str, CheckResult)
        Name and check of each, the first being what the others are held against.
    step_deviations : sequence of StepDeviation or None
        Largest departure of each at its load step.
    slack : float
        Share by which a reading may be worse than the first's [unitless].

    Returns
    -------
    Comparison
        With what differs, and what is worse.
    """
    found = tuple(c for _, c in checks)
    first = found[0]
    worse: list[tuple[str, ...]] = [()]
    worse += [
        tuple(_worse((first, step_deviations[0]), (c, s), max(slack, ROUNDING)))
        for c, s in zip(found[1:], step_deviations[1:], strict=True)
    ]
    hz, loops, places = _loops(found)
    return Comparison(
        names=tuple(n for n, _ in checks), checks=found, differences=_differences([c.case for c in found]),
        step_deviations=tuple(step_deviations), worse=tuple(worse), frequencies_hz=hz, loops=loops, places=places,
    )  # fmt: skip


def _worse(
    first: tuple[CheckResult, StepDeviation | None], other: tuple[CheckResult, StepDeviation | None], slack: float
) -> Iterator[str]:
    """Say by what a case is worse than the first."""
    a, b = first[0], other[0]
    if a.stable and not b.stable:
        yield f"it is {failing_word(b)} where the first is stable"
    if a.targets_met and not b.targets_met:
        yield f"it misses a target: {b.reasons[0]}"
    if not a.stable:  # margins of what is unstable mean nothing
        sizes = [0.0 if (w := c.worst["largest_multiplier"]) is None else w.value for c in (a, b)]
        if not b.stable and sizes[1] > max(sizes[0], 1.0) * (1.0 + slack):
            words = failing_word(a)
            also = "as the first is, with" if words == GROWS else f"where the first is {words}, with"
            yield f"it is UNSTABLE {also} a larger multiplier: {sizes[1]:.5g} against {sizes[0]:.5g}"
        return
    for name, (words, unit) in HELD.items():
        before, now = a.worst[name], b.worst[name]
        if before is not None and now is not None and now.value < before.value - slack * abs(before.value):
            yield f"{words} {now.value:.4g}{unit} against {before.value:.4g}{unit}"
    if a.worst["phase_margin_deg"] is not None and b.worst["phase_margin_deg"] is None:
        yield "it has no crossover"
    steps = [None if s is None else s.peak_deviation_v for s in (first[1], other[1])]
    if steps[0] is not None and steps[1] is not None and steps[1] > steps[0] * (1.0 + slack):
        yield f"step deviation {steps[1]:.4g} V against {steps[0]:.4g} V"


def _differences(cases: Sequence[Case]) -> tuple[tuple[str, tuple[object, ...]], ...]:
    """List the inputs that differ, in the order of the case file."""
    tables = [dict(flattened(c)) for c in cases]
    keys = list(dict.fromkeys(key for table in tables for key in table))
    rows = ((key, tuple(table.get(key) for table in tables)) for key in keys)
    return tuple((key, values) for key, values in rows if any(v != values[0] for v in values))


def flattened(table: Any, path: str = "") -> Iterator[tuple[str, object]]:  # noqa: ANN401  (any table of the case)
    """Yield every value of a case, and of the tables within it, by dotted path; parts of a bank by number.

    Parameters
    ----------
    table : Case, or a table of one
        A case or a table of it.
    path : str
        Its own path.

    Yields
    ------
    tuple of str and object
        Path and value.
    """
    for name, field in type(table).model_fields.items():
        value = getattr(table, name)
        if not path and name in LEFT_OUT:
            continue
        key = f"{path}.{field.alias or name}".lstrip(".")
        if _is_table(value):
            yield from flattened(value, key)
        elif isinstance(value, tuple) and value and _is_table(value[0]):
            for k, part in enumerate(value):
                yield from flattened(part, key if len(value) == 1 else f"{key}{k + 1}")
        elif value is not None:
            yield key, value


def _is_table(value: object) -> bool:
    """Whether a value of a case is a table of its own."""
    return hasattr(type(value), "model_fields")


def plain_input(value: object) -> object:
    """Turn an input into plain values, ready for JSON.

    Parameters
    ----------
    value : object
        A number, a word, levels, a tolerance or a curve.

    Returns
    -------
    object
        Numbers, words and lists.
    """
    if isinstance(value, Levels):
        return list(value.values)
    if isinstance(value, Tolerance):
        return [value.low, value.high]
    if isinstance(value, tuple):
        return [plain_input(v) for v in value]
    return value if isinstance(value, str | int | float | bool) or value is None else str(value)


def _loops(
    checks: Sequence[CheckResult],
) -> tuple[NDArray[np.float64], NDArray[np.complex128], tuple[str, ...]]:
    """Loop gain of each check at its corner with the least phase margin, on one grid."""
    fastest = max(1.0 / float(c.stage.converter.period) for c in checks)
    hz = np.geomspace(band(fastest)[0], 0.5 * fastest, POINTS)
    loops = np.full((len(checks), POINTS), np.nan, complex)
    places = []
    for row, c in enumerate(checks):
        if c.closed_loop is None:
            places.append("no loop")
            continue
        kept = [k for k, v in enumerate(c.verdicts) if v.held is None]  # no margin is shown of any other
        if not kept:
            places.append(f"{failing_word(c)} at every corner, no loop gain")
            continue
        least = [np.inf if (m := c.margins[k].phase_margin_deg) is None else m for k in kept]
        item = kept[int(np.argmin(least))]
        inside = hz <= 0.5 / float(c.stage.converter.period)
        loops[row, inside] = loop_gain(c.closed_loop, hz[inside])[item]
        v, i = c.conditions.input_voltage[item], c.conditions.load_current[item]
        places.append(f"{v:.4g} V, {i:.3g} A, {'stable' if c.verdicts[item].stable else GROWS}")
    return hz, loops, tuple(places)


def part_names(checks: Sequence[CheckResult]) -> tuple[str, ...]:
    """Names of the compensation parts of any of some checks, in order.

    Parameters
    ----------
    checks : sequence of CheckResult
        The checks.

    Returns
    -------
    tuple of str
        Designators.
    """
    return tuple(dict.fromkeys(name for c in checks for name in c.parts))
