"""A spread in tables: conditions, yield against worst case, ranking; as text, for JSON, and in markdown."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.findings.ratings import has_ratings
from loopdesign.analysis.spread.bounds import yield_against_worst_case
from loopdesign.analysis.spread.figures import tail_of, worst_of
from loopdesign.orbit.holding import KEPT
from loopdesign.report.basics.layout import PIPE, Display, laid_out, lettered, paragraph
from loopdesign.report.basics.tables import INPUT, LOAD, Column, Table, without_empty
from loopdesign.synthesis.search.search import variant_name
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.analysis.spread.figures import Share
    from loopdesign.analysis.spread.sample import SpreadResult
    from loopdesign.report.basics.tables import CellValue

UNEVEN = 1e-9
"""Difference of the two ends of a tolerance that is rounding."""
QUANTILES = (0.001, 0.01, 0.5, 0.99, 0.999)


def share_sentence(words: str, share: Share) -> str:
    """Say a share with its count and confidence interval."""
    return (
        f"{words}: {share.count} of {share.samples} ({_percent(share.value)}, "
        f"{_percent(share.low)} to {_percent(share.high)} with 95 % confidence)"
    )


RATINGS = "ratings are not held against the samples: check holds them against nominal parts"
SMALLEST_SHARE = 1e-4
"""Share of the variance below which its digits say nothing."""


def _percent(value: float) -> str:
    return f"{100.0 * value:.3g} %"


STEP = (
    "Nominal parts and tolerance ends are stepped in time; the step deviation of a sample is that of a small step, "
    "scaled at each input voltage by what steps in time make of it with nominal parts and with each value at its ends."
)
"""How the departure at the load step was found."""


def bounds_table(found: SpreadResult) -> Table:
    """Set nominal parts, tolerance ends, the sampled 99.9 % figure and the worst sample beside each limit."""
    rows = tuple(
        (b.name, *(_written(v, b.unit) for v in (b.limit, b.nominal, b.ends, b.tail, b.worst)))
        for b in yield_against_worst_case(found)
    )
    headings = ("reading", "limit", "nominal parts", "worst tolerance ends", "99.9 % of samples reach", "worst sample")
    columns = tuple(Column(heading=h, key=h == "reading") for h in headings)
    title = "Sampled figures beside the worst case, over all operating points"
    return Table(title=title, columns=columns, rows=rows, note="" if found.step is None else STEP)


def _written(value: float | None, unit: str) -> str | None:
    """Write a figure with four digits; frequencies and voltages, whose size is open, in engineering notation."""
    if value is None or unit not in {"Hz", "V"}:
        return None if value is None else f"{value:.4g} {unit}".rstrip()
    return format_quantity(value, unit, 4)


def conditions_table(found: SpreadResult) -> Table:
    """List every condition: unstable samples, and the median and tails of each reading."""
    columns = [
        INPUT, LOAD, Column(heading="unstable", key=True),
        Column(heading="median crossover", unit="Hz"), Column(heading="highest crossover", unit="Hz"),
        Column(heading="median phase margin", unit="deg"), Column(heading="lowest phase margin", unit="deg"),
        Column(heading="lowest gain margin", unit="dB"), Column(heading="lowest modulus margin", unit=""),
    ]  # fmt: skip
    warm = len(np.unique(found.conditions.temperature)) > 1
    if warm:
        columns.insert(2, Column(heading="temperature", unit="degC", key=True))
    rows: list[tuple[CellValue, ...]] = []
    for c in range(len(found.conditions)):
        crossover, phase = found.reading("crossover_hz")[:, c], found.reading("phase_margin_deg")[:, c]
        row: list[CellValue] = [float(found.conditions.input_voltage[c]), float(found.conditions.load_current[c])]
        if warm:
            row.append(float(found.conditions.temperature[c]))
        row += [f"{int((~found.stable[:, c]).sum())} of {found.samples}"]
        row += [_median(crossover), worst_of(crossover, high_is_bad=True), _median(phase)]
        row += [worst_of(x[:, c], high_is_bad=False) for x in _low_is_bad(found)]
        rows.append(tuple(row))
    return Table(title="Every operating point, over the samples", columns=tuple(columns), rows=tuple(rows))


def _low_is_bad(found: SpreadResult) -> tuple[Any, ...]:
    return tuple(found.reading(n) for n in ("phase_margin_deg", "gain_margin_db", "modulus_margin"))


def _median(values: Any) -> float | None:  # noqa: ANN401  (an array column)
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else None


def _share(share: float) -> str:
    """Write a share of the variance; what is next to nothing without its digits."""
    return _percent(share) if share >= SMALLEST_SHARE else f"below {_percent(SMALLEST_SHARE)}"


def ranking_table(found: SpreadResult) -> Table:
    """Rank the causes by what they do to the phase margin."""
    c = found.ranked_condition
    where = f"{found.conditions.input_voltage[c]:.4g} V, {found.conditions.load_current[c]:.3g} A"
    columns = (Column(heading="cause"), Column(heading="nominal to upper end"), Column(heading="share of the variance"))
    rows = tuple((r.name, f"{r.slope_deg:+.3g} deg", _share(r.share)) for r in found.ranking)
    return Table(title=f"What moves the phase margin at {where}", columns=columns, rows=rows)


def spread_tables(found: SpreadResult) -> tuple[Table, ...]:
    """Every table of a spread, in reading order; the ranking is left out where nothing varies."""
    tables = [conditions_table(found), bounds_table(found)]
    return (*tables, ranking_table(found)) if found.ranking else tuple(tables)


def spread_sentences(found: SpreadResult) -> tuple[str, ...]:
    """Say what the samples show, the verdict with what it covers last."""
    uniform = found.case.targets.distribution == "uniform"
    law = "uniform within its tolerance" if uniform else "normal, its tolerance at three standard deviations"
    drawn = "no part has a tolerance, so all samples are alike"
    if found.varied:
        drawn = f"{len(found.varied)} values vary, each {law}"
        if any(abs(low + high) > UNEVEN for v in found.varied for low, high in v.ends.values()):
            drawn += "; of uneven tolerances half of the samples lie on either side of the nominal value"
    sample, condition = found.worst_sample
    worst = variant_name(found.sample_corners_of(np.array([sample]), condition), 0)
    off, points = found.off_target, len(found.conditions)
    verdict = (
        f"{off.count} of {off.samples} samples are {failing_words(found)} or miss a target at one or more of {points} "
        f"operating points ({_percent(off.value)}; {_percent(off.low)} to {_percent(off.high)} with 95 % confidence)."
        if off.count
        else f"All {off.samples} samples are stable with every target met at {points} operating points; with 95 % "
        f"confidence at most {_percent(off.high)} of production is not."
    )
    judged = found.extremes.judged
    grow, lost = int((judged.read & ~judged.stable).sum()), int((~judged.read).sum())
    at_ends = [f"{grow} UNSTABLE"] * bool(grow) + [f"{lost} not held or out of reach"] * bool(lost)
    ends = f"tolerance ends: of {len(judged)} combinations {', '.join(at_ends)}"
    return (
        *((ends,) if at_ends else ()),
        f"{found.samples} samples (seed {found.seed}); {drawn}",
        share_sentence(failing_words(found), found.unstable) + _not_held(found),
        f"worst sample: number {sample} at {worst}",
        *((RATINGS,) if has_ratings(found.case) else ()),
        verdict,
    )


def failing_words(found: SpreadResult) -> str:
    """Say what samples without a stable operating point are: one that is not held is neither stable nor unstable.

    Parameters
    ----------
    found
        Samples.

    Returns
    -------
    str
        ``unstable``, ``not held``, or both.
    """
    grows = bool((~found.stable & found.reached & (found.held == KEPT)).any())
    return " or ".join(["unstable"] * (grows or not found.not_held) + ["not held"] * bool(found.not_held))


def _not_held(found: SpreadResult) -> str:
    """Say how many of these samples are not held, and why."""
    told = [f"{word} {count}" for word, count in found.not_held.items()]
    return f"; not held or out of reach: {', '.join(told)}" if told else ""


def spread_text(found: SpreadResult, *, report: str = "", display: Display = PIPE) -> str:
    """Lay a spread out for the terminal.

    Parameters
    ----------
    found
        Samples.
    report
        Name of the report that was written.
    display
        What it is shown on; its details add the table of operating points.

    Returns
    -------
    str
        The verdict, then tables, then what was sampled.
    """
    title = " ".join(found.case.title.split())
    shown = [bounds_table(found), *([ranking_table(found)] if found.ranking else [])]
    shown += [conditions_table(found)] if display.details else []
    blocks = [f"{title} ({found.case.converter.topology}): spread over tolerances", spread_headline(found)]
    blocks += [laid_out(without_empty(t, keep=("unstable",)), display) for t in shown]
    sentences = [paragraph(s, display, hanging="    ") for s in spread_sentences(found)[:-1]]
    blocks.append("\n".join(sentences))
    last = [f"report: {report}"] if report else []
    last += [] if display.details else ["--details adds: every operating point"]
    blocks += ["\n".join(last)] if last else []
    return lettered("\n\n".join([*blocks, paragraph(spread_sentences(found)[-1], display)]), display)


def spread_headline(found: SpreadResult) -> str:
    """Say the verdict over the samples in a few words."""
    if found.unstable.count:
        return f"Verdict: {failing_words(found).upper()} in {found.unstable.count} of {found.samples} samples"
    if found.off_target.count:
        return f"Verdict: stable, but targets are MISSED in {found.off_target.count} of {found.samples} samples"
    return f"Verdict: stable, every target met in all {found.samples} samples"


def spread_rows(found: SpreadResult) -> dict[str, Any]:
    """Turn a spread into plain values for JSON: shares, quantiles per condition, bounds, ranking, worst sample."""
    sample, condition = found.worst_sample
    return {
        "title": found.case.title,
        "samples": found.samples,
        "seed": found.seed,
        "distribution": found.case.targets.distribution,
        "varied": [v.name for v in found.varied],
        "parts": dict(found.parts),
        "unstable": _share_row(found.unstable),
        "off_target": _share_row(found.off_target),
        "not_held": found.not_held,
        "conditions": [_condition_row(found, c) for c in range(len(found.conditions))],
        "worst_case": [
            {
                "reading": b.name, "unit": b.unit, "limit": b.limit, "nominal": b.nominal, "extremes": b.ends,
                "kept_by_99_9_percent": b.tail, "worst_sample": b.worst,
            }
            for b in yield_against_worst_case(found)
        ],
        "ranking": [{"cause": r.name, "phase_margin_deg": r.slope_deg, "share": r.share} for r in found.ranking],
        "worst_sample": {
            "number": sample,
            "input_voltage": float(found.conditions.input_voltage[condition]),
            "load_current": float(found.conditions.load_current[condition]),
            "places": {v.name: float(p) for v, p in zip(found.varied, found.places[sample], strict=True)},
            "stable": bool(found.stable[sample, condition]),
            "phase_margin_deg": _finite(found.phase_margin_deg[sample, condition]),
        },
        "verdict": {"stable": found.unstable.count == 0, "targets_met": found.off_target.count == 0},
    }  # fmt: skip


def _share_row(share: Share) -> dict[str, float]:
    return {"share": share.value, "count": share.count, "low": share.low, "high": share.high}


def _finite(value: Any) -> float | None:  # noqa: ANN401  (a numpy scalar)
    return float(value) if np.isfinite(value) else None


def _condition_row(found: SpreadResult, c: int) -> dict[str, Any]:
    row: dict[str, Any] = {
        "input_voltage": float(found.conditions.input_voltage[c]),
        "load_current": float(found.conditions.load_current[c]),
        "temperature": float(found.conditions.temperature[c]),
        "unstable": int((~found.stable[:, c]).sum()),
        "out_of_reach": int((~found.reached[:, c]).sum()),
        "not_held": int((found.held[:, c] != KEPT).sum()),
    }
    for name in ("crossover_hz", "phase_margin_deg", "gain_margin_db", "modulus_margin"):
        values = found.reading(name)[:, c]
        row[name] = _quantiles(values[np.isfinite(values)])
    return row


def _quantiles(values: Any) -> dict[str, float | None]:  # noqa: ANN401  (an array column)
    told: dict[str, float | None] = dict.fromkeys(("lowest", "highest", *(f"q{100 * q:g}" for q in QUANTILES)))
    if not values.size:
        return told
    told |= {"lowest": float(values.min()), "highest": float(values.max())}
    for q in QUANTILES:
        # a tail that the samples cannot show is not shown
        tail = q if q == 0.5 else max(q, 1.0 - q)
        shown = float(np.median(values)) if q == 0.5 else tail_of(values, tail, high_is_bad=q > 0.5)
        told[f"q{100 * q:g}"] = shown
    return told
