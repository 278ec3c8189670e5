"""The parts of the loop: each with series, tolerance, where it is from and what it does."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.compensation.features import network_features
from loopdesign.corners.converters import amplifier, divider, network_parts
from loopdesign.report.basics.exact import tolerance_text
from loopdesign.report.basics.tables import Column, Table, network_table, parts_table
from loopdesign.report.choice.text import OBJECTIVES, alternatives_table, divider_sentences, slope_sentences
from loopdesign.report.content.blocks import Bullets, Paragraph, SectionHeading, TableBlock
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.analysis.check import CheckResult
    from loopdesign.report.basics.tables import CellValue
    from loopdesign.report.content.blocks import Block
    from loopdesign.report.content.findings import Findings

OTHERS = {
    "upper divider resistor": "sets the output together with the lower resistor and the reference",
    "lower divider resistor": "sets the output together with the upper resistor and the reference",
    "current sense resistor": "turns the load current into the voltage that is compared with the reference",
    "feed-forward capacitor": "bridges the upper divider resistor at high frequencies: a lead of phase",
    "slope": "damps the current loop at half the switching frequency",
}
"""What the parts outside the network do."""


def parts_chapter(findings: Findings) -> tuple[Block, ...]:
    """List the parts of the loop, how they were chosen and what poles and zeros they make.

    Parameters
    ----------
    findings
        What was computed.

    Returns
    -------
    tuple of Block
        A chapter; nothing without a loop.
    """
    found, choice = findings.check, findings.choice
    if not found.margins:
        return ()
    told: list[Block] = [SectionHeading(text="Parts of the loop"), TableBlock(table=reasons_table(findings))]
    if choice is not None:
        told.append(SectionHeading(text="How the parts were chosen", level=2))
        told.append(Paragraph(text=f"Choice: {choice.method}."))
        limited = [] if choice.best is None else [_limited(findings)]
        said = (*limited, *divider_sentences(choice), *slope_sentences(choice), *(f"note: {n}" for n in choice.notes))
        told += [Bullets(items=said)] if said else []
        told += [TableBlock(table=alternatives_table(choice))] if choice.best is not None else []
    return (*told, TableBlock(table=network_table(found)))


def _limited(findings: Findings) -> str:
    """Say what the combination was chosen for and what keeps it from being better."""
    choice = findings.choice
    if choice is None or choice.best is None:
        return ""
    words = OBJECTIVES[choice.prefer][0]
    return f"the parts of the network are one combination, chosen for the {words}; limited by {choice.best.limited_by}"


def reasons_table(findings: Findings) -> Table:
    """List every part of the loop with its series, its tolerance and the reason for it.

    Parameters
    ----------
    findings
        What was computed.

    Returns
    -------
    Table
        One row per part; the frequencies are those of nominal parts.
    """
    found = findings.check
    columns = (
        Column(heading="part", key=True), Column(heading="value"), Column(heading="series"),
        Column(heading="tolerance"), Column(heading="origin"), Column(heading="reason"),
    )  # fmt: skip
    reasons = network_reasons(found) | OTHERS
    rows: list[tuple[CellValue, ...]] = []
    for name, value, origin in parts_table(found, findings.chosen).rows:
        part = str(name)
        series = _series_of(found, part) if origin == "chosen" else None
        rows.append((part, value, series, _tolerance_of(found, part), origin, reasons.get(part, "")))
    return Table(title="Parts of the loop", columns=columns, rows=tuple(rows))


def network_reasons(found: CheckResult) -> dict[str, str]:
    """Say what each part of the compensation network does, with the frequency it sets.

    Parameters
    ----------
    found
        A check with a loop.

    Returns
    -------
    dict of str to str
        Sentences by designator.
    """
    case = found.case
    features = network_features(amplifier(case), divider(case), network_parts(case, found.parts))
    at = {name: format_quantity(float(hz), "Hz") for name, hz in features.items()}
    fitted = {name for name, value in found.parts.items() if value}
    zero = f" and makes the zero at {at['zero']}" if "zero" in at else ""
    told = {
        "R1": "sets the gain between zero and high-frequency pole, and with it the crossover",
        "C1": f"integrates: no error at dc{zero}, which gives the phase below crossover back",
        "C2": "takes what remains of the ripple out before the comparator",
        "R2": "bounds the lead of C3",
        "C3": f"makes the lead zero at {at.get('lead zero', 'its frequency')}: phase at crossover",
    }
    if "high-frequency pole" in at:
        told["C2"] = f"makes the high-frequency pole at {at['high-frequency pole']}: ripple and noise stay out"
    if "lead pole" in at:
        told["R2"] = f"ends the lead of C3 with the pole at {at['lead pole']}"
    return {name: text if name in fitted else "not needed" for name, text in told.items()}


def _series_of(found: CheckResult, name: str) -> str | None:
    """Name the series of preferred values that a part was chosen from."""
    targets = found.case.targets
    if name == "slope":
        return None
    return f"IEC 60063 {targets.capacitor_series if name.startswith('C') else targets.resistor_series}"


def _tolerance_of(found: CheckResult, name: str) -> str:
    """Write the tolerance that a part was examined with."""
    case = found.case
    network, feedback = case.compensation, case.divider
    if name == "current sense resistor" and case.current_sense is not None:
        return tolerance_text(case.current_sense.tolerance)
    if name == "slope":
        return tolerance_text(case.modulator.slope_tolerance) if case.modulator.scheme == "peak current" else "none"
    if "divider" in name and feedback is not None:
        return tolerance_text(feedback.tolerance)
    if network is None or name == "feed-forward capacitor":
        return "none"
    return tolerance_text(network.capacitor_tolerance if name.startswith("C") else network.resistor_tolerance)
