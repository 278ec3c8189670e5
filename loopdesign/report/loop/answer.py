"""The machine-readable answer of a check or a design: plain numbers, lists and words, ready for JSON."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from loopdesign.report.basics.status import NO_LOOP, missed

if TYPE_CHECKING:
    from collections.abc import Iterable

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.filter_study import FilterStudy
    from loopdesign.models.verdict import Mode


def answer(found: CheckResult) -> dict[str, Any]:
    """Turn an assessment into the object that ``--json`` prints.

    Parameters
    ----------
    found
        What was examined.

    Returns
    -------
    dict
        Title, topology, parts, corners, verdict; limits with their sources and warnings besides. A number that does
        not exist is None, with the reason under ``reasons`` of its corner.
    """
    return {
        "title": found.case.title,
        "topology": found.case.converter.topology,
        "parts": {name: float(value) for name, value in found.parts.items()},
        "corners": [corner(found, item) for item in range(len(found.conditions))],
        "verdict": {
            "stable": found.stable,
            "targets_met": found.targets_met,
            "reasons": list(found.reasons),
        },
        "limits": [
            {"name": x.name, "value": number(x.value), "unit": x.unit, "source": x.source} for x in found.limits
        ],
        "warnings": [*found.case.warnings, *found.stage.warnings],
    }


def corner(found: CheckResult, item: int) -> dict[str, Any]:
    """Turn one corner into its object."""
    point, verdict, plant = found.stage.point, found.verdicts[item], found.stage.plants[item]
    row: dict[str, Any] = {
        "input_voltage": float(found.conditions.input_voltage[item]),
        "load_current": float(found.conditions.load_current[item]),
        "mode": "DCM" if point.discontinuous[item] else "CCM",
        "duty": float(point.duty[item]),
        "control_voltage": float(point.trim[item]),
        "stable": bool(verdict.stable),
        "largest_multiplier": float(verdict.largest_multiplier),
        "worst_mode": mode(verdict.worst),
        "current_loop_stable": bool(verdict.current_loop_stable),
        "current_loop_worst_mode": mode(verdict.current_loop_worst),
    }
    names = ("crossover_hz", "phase_margin_deg", "gain_margin_db", "modulus_margin")
    if found.margins:
        margin = found.margins[item]
        row |= {name: number(getattr(margin, name)) for name in names}
        row["reasons"] = {name: margin.reasons.get(name, "not finite") for name in names if row[name] is None}
    else:
        row |= dict.fromkeys(names)
        row["reasons"] = dict.fromkeys(names, NO_LOOP)
    row["missed"] = list(missed(found, item))
    row["plant_poles_hz"] = pairs(plant.poles_hz)
    row["plant_zeros_hz"] = pairs(plant.zeros_hz)
    return row


def filter_answer(study: FilterStudy) -> dict[str, Any]:
    """Turn the study of an input filter into its object: separation and verdicts per corner, damper proposed."""
    near, proposal = study.separation, study.proposal
    corners = [
        {
            "input_voltage": float(study.conditions.input_voltage[i]),
            "load_current": float(study.conditions.load_current[i]),
            "separation_db": number(float(near.db[i])),
            "separation_hz": number(float(near.frequency_hz[i])),
            "stable_without": bool(study.verdicts_without[i].stable),
            "stable_with": bool(study.verdicts_with[i].stable),
        }
        for i in range(len(study.conditions))
    ]
    damper: dict[str, Any] | None = None
    if proposal is not None:
        d = proposal.damping
        damper = {"kind": d.kind, "resistance": d.resistance}
        damper |= {"capacitance": d.capacitance, "inductance": d.inductance}
        damper |= {"stable": bool(proposal.stable), "separation_db": number(float(proposal.separation.db.min()))}
    return {"corners": corners, "proposed_damper": damper, "warnings": list(study.warnings)}


def mode(worst: Mode) -> dict[str, Any]:
    """Turn a mode into its object."""
    return {
        "frequency_hz": float(worst.frequency_hz),
        "growth_per_s": float(worst.growth_per_s),
        "name": worst.name,
    }


def pairs(roots: Iterable[complex]) -> list[list[float]]:
    """Turn complex roots into pairs of real and imaginary part."""
    return [[float(r.real), float(r.imag)] for r in roots]


def number(value: float | None) -> float | None:
    """Turn what is missing or not finite into None."""
    return float(value) if value is not None and math.isfinite(value) else None
