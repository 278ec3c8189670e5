"""The machine-readable answer of a check or a design: plain numbers, lists and words, ready for JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopdesign.analysis.findings.corner import number
from loopdesign.report.basics.status import missed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.filter_study import FilterStudy
    from loopdesign.analysis.findings.corner import CornerResult


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
        "corners": [corner(each, missed(found, item)) for item, each in enumerate(found.corners)],
        "verdict": {
            "stable": found.stable,
            "targets_met": found.targets_met,
            "reasons": list(found.reasons),
        },
        "limits": [
            {"name": x.name, "value": number(x.value), "unit": x.unit, "source": x.source} for x in found.limits
        ],
        "warnings": list(found.warnings),
    }


def corner(examined: CornerResult, missed: Sequence[str]) -> dict[str, Any]:
    """Turn one corner into its object: its own keys, why a margin does not exist, and what it fails."""
    return examined.to_dict() | {"reasons": dict(examined.reasons), "missed": list(missed)}


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
