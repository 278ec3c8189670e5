"""The machine-readable answer of a check or a design: plain numbers, lists and words, ready for JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from loopdesign.analysis.findings.corner import number
from loopdesign.report.basics.status import missed

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from loopdesign.analysis.check import CheckResult
    from loopdesign.analysis.curves import ReportData
    from loopdesign.analysis.filter_study import FilterStudy
    from loopdesign.analysis.filter_study.output import OutputFilterStudy
    from loopdesign.analysis.findings.corner import CornerResult
    from loopdesign.analysis.findings.ratings import Stress
    from loopdesign.corners.effective import EffectiveValue


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
        "worst": {name: None if reading is None else reading.to_dict() for name, reading in found.worst.items()},
        "examined": found.examined.to_dict(),
        "effective": [effective_answer(value) for value in found.effective],
        "step_deviation": None if found.step_deviation is None else found.step_deviation.to_dict(),
        "output_ripple": None if found.output_ripple is None else found.output_ripple.to_dict(),
        "verdict": {
            "stable": found.stable,
            "targets_met": found.targets_met,
            "reasons": list(found.reasons),
        },
        "limits": [
            {"name": x.name, "value": number(x.value), "unit": x.unit, "source": x.source} for x in found.limits
        ],
        "stress": [stress_answer(s) for s in found.stresses],
        "cross_regulation": None if (study := found.cross_regulation) is None else study.to_rows(),
        "clamp": None if (clamp := found.clamp) is None else clamp.to_dict(),
        "warnings": list(found.warnings),
    }


def curves_answer(data: ReportData) -> dict[str, Any]:
    """Turn the curves of the frequency plots into their object: per corner its frequencies, plant and loop gain."""
    corners = data.check.conditions
    rows: list[dict[str, Any]] = []
    for item in range(len(corners)):
        row: dict[str, Any] = {
            "input_voltage": float(corners.input_voltage[item]),
            "load_current": float(corners.load_current[item]),
            "stable": bool(data.check.verdicts[item].stable),
            "frequencies_hz": _rounded(data.frequencies_hz[item]),
        }
        named = {"plant": data.plant, "plant_averaged": data.plant_averaged, "loop": data.loop}
        for name, values in named.items():
            row[name] = None if values is None else _complex_answer(values[item])
        rows.append(row)
    return {"corners": rows}


def _complex_answer(values: NDArray[np.complex128]) -> dict[str, list[float]]:
    return {"real": _rounded(values.real), "imag": _rounded(values.imag)}


def _rounded(values: NDArray[np.float64]) -> list[float]:
    """Keep nine significant digits: a curve is drawn and compared, and not computed with."""
    return [float(f"{v:.9g}") for v in values.tolist()]


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


def output_filter_answer(study: OutputFilterStudy) -> dict[str, Any]:
    """Turn the study of an output filter into its object: the loop with it, without it, and with a damper proposed."""
    sides = {"as_given": study.as_given, "without": study.without, "damped": study.damped}
    told: dict[str, Any] = {
        "resonance_hz": study.resonance_hz,
        "attenuation_db": study.attenuation_db,
        "sense": study.sense,
        "proposed_damper": None,
    }
    if study.damper is not None:
        told["proposed_damper"] = {"resistance": study.damper[0], "capacitance": study.damper[1]}
    for name, side in sides.items():
        told[name] = (
            None
            if side is None
            else {
                "stable": all(v.stable for v in side.verdicts),
                "phase_margin_deg": least(m.phase_margin_deg for m in side.margins),
                "gain_margin_db": least(m.gain_margin_db for m in side.margins),
                "loop_at_resonance_db": float(side.loop_at_resonance_db.max()),
                "peak_impedance_ohm": float(side.peak_impedance.max()),
            }
        )
    return told


def least(values: Iterable[float | None]) -> float | None:
    """Return the least of the values there are; None where there are none."""
    present = [float(v) for v in values if v is not None]
    return min(present, default=None)


def stress_answer(stress: Stress) -> dict[str, Any]:
    """Turn one rating into its object: what is allowed, what is reached at each corner, and whether it is met."""
    return {
        "name": stress.name,
        "part": stress.part,
        "unit": stress.unit,
        "rating": float(stress.rating),
        "allowed": float(stress.allowed),
        "reached": [float(value) for value in stress.reached],
        "met": stress.met,
    }


def effective_answer(value: EffectiveValue) -> dict[str, Any]:
    """Turn a value that differs from the given one into its object: the part, what of it, and its value per corner."""
    return {
        "part": value.part,
        "quantity": value.quantity,
        "unit": value.unit,
        "given": float(value.given),
        "values": [float(v) for v in value.values],
    }
