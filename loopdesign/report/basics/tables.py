"""Tables of numbers with their units: what terminal and page show, before any formatting."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from loopdesign.analysis.findings.corner import corner_name
from loopdesign.case import PART_UNITS
from loopdesign.compensation.features import network_features
from loopdesign.corners.converters import amplifier, divider, network_parts
from loopdesign.corners.power_stage import capacitors, device_names, inductors
from loopdesign.report.basics.status import stable_word, status_word, verdict_word
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    import numpy as np
    from numpy.typing import NDArray

    from loopdesign.analysis.check import CheckResult
    from loopdesign.models.insight import Feature
    from loopdesign.orbit.waveforms import WaveformFigures

CellValue: TypeAlias = "float | str | None"
WORDS = "words"
"""Unit of a column that holds words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    heading
        What it shows.
    unit
        Unit of its SI values; ``words`` for text.
    digits
        Significant digits.
    key
        Whether it says which row it is or what the verdict is: such a column is never left out.
    own_prefix
        Whether every number carries its own prefix, such as "5.82 k", where the rows differ by decades.
    group
        Columns of a table with the same group share one unit; empty where the column has its own.
    """

    heading: str
    unit: str = WORDS
    digits: int = 3
    key: bool = False
    own_prefix: bool = False
    group: str = ""

    @property
    def numeric(self) -> bool:
        """Whether the column holds numbers."""
        return self.unit != WORDS


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows of values under columns; a number that does not exist is None, and a note explains what is not obvious."""

    title: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[CellValue, ...], ...]
    note: str = ""

    def to_dicts(self) -> list[dict[str, CellValue]]:
        """Rows as plain dictionaries by heading, in SI units."""
        return [dict(zip((c.heading for c in self.columns), row, strict=True)) for row in self.rows]

    def cells(self, *, ascii_only: bool = False) -> list[list[str]]:
        """Rows as formatted text, "-" where a value does not exist."""
        return [[cell(v, c, ascii_only=ascii_only) for v, c in zip(r, self.columns, strict=True)] for r in self.rows]


def cell(value: CellValue, column: Column, *, ascii_only: bool = False) -> str:
    """Format one value in its column's unit."""
    if value is None or value == "":
        return "-"
    if isinstance(value, str):
        return value
    if not math.isfinite(value):
        return "-"
    return format_quantity(value, column.unit, column.digits, ascii_only=ascii_only)


INPUT, LOAD = Column(heading="input", unit="V", key=True), Column(heading="load", unit="A", key=True)
VERDICT = Column(heading="verdict", key=True)


def _conditions(found: CheckResult, item: int) -> tuple[float, float]:
    return float(found.conditions.input_voltage[item]), float(found.conditions.load_current[item])


def _each(found: CheckResult) -> range:
    return range(len(found.verdicts))


def margins_table(found: CheckResult) -> Table:
    """Margins of every corner, each row with its verdict.

    Parameters
    ----------
    found
        The assessment.

    Returns
    -------
    Table
        One row per corner; without a loop the margins are None and the verdict is that of the current loop.
    """
    columns = (
        INPUT, LOAD, VERDICT, Column(heading="crossover", unit="Hz"),
        Column(heading="phase margin", unit="deg"), Column(heading="gain margin", unit="dB"),
        Column(heading="modulus margin", unit=""), Column(heading="targets", key=True),
    )  # fmt: skip
    rows: list[tuple[CellValue, ...]] = []
    for item in _each(found):
        read = found.margins and found.verdicts[item].held is None  # none where the converter does not stay
        m = found.margins[item] if read else None
        readings = (m.crossover_hz, m.phase_margin_deg, m.gain_margin_db, m.modulus_margin) if m else (None,) * 4
        word = verdict_word(found.verdicts[item])
        rows.append((*_conditions(found, item), word, *readings, status_word(found, item)))
    return Table(title="Verdict and margins", columns=columns, rows=tuple(rows))


def stability_table(found: CheckResult) -> Table:
    """Largest multiplier and its mode at every corner, closed loop and with the control voltage held."""
    inner = "current loop" if found.case.modulator.scheme == "peak current" else "control held"
    columns = (
        INPUT, LOAD, VERDICT, Column(heading="largest multiplier", unit="", digits=5),
        Column(heading="worst mode"), Column(heading="mode frequency", unit="Hz"),
        Column(heading="growth per s", unit=""), Column(heading=inner), Column(heading=f"{inner} mode"),
        Column(heading=f"{inner} frequency", unit="Hz"),
    )  # fmt: skip
    rows: list[tuple[CellValue, ...]] = []
    for item in _each(found):
        v = found.verdicts[item]
        worst, alone = v.worst_mode, v.current_loop_worst_mode
        row = (
            verdict_word(v), v.largest_multiplier, worst.name, worst.frequency_hz, worst.growth_per_s,
            stable_word(v.current_loop_stable), alone.name, alone.frequency_hz,
        )  # fmt: skip
        rows.append((*_conditions(found, item), *row))
    return Table(
        title="Stability by the characteristic multipliers", columns=columns, rows=tuple(rows),
        note="A multiplier is the factor by which a small disturbance grows from one switching period to the next; the "
        "converter is stable where all are below 1 in magnitude.",
    )  # fmt: skip


def operating_table(found: CheckResult, continuous_limit: NDArray[np.float64] | None = None) -> Table:
    """Duty, conduction mode, control voltage and output ripple at every corner.

    Parameters
    ----------
    found
        The assessment.
    continuous_limit
        (B,) load current at which continuous conduction ends [A]; the column is left out where absent.
    """
    columns = [
        INPUT, LOAD, Column(heading="mode"), Column(heading="duty", unit=""),
        Column(heading="control voltage", unit="V"), Column(heading="output ripple p-p", unit="V"),
    ]  # fmt: skip
    if continuous_limit is not None:
        columns.append(Column(heading="continuous above", unit="A"))
    point, ripple = found.stage.point, _figures(found)["v(out)"].ripple
    rows: list[tuple[CellValue, ...]] = []
    for item in _each(found):
        mode = "DCM" if point.discontinuous[item] else "CCM"
        row: list[CellValue] = [*_conditions(found, item), mode, float(point.duty[item]), float(point.trim[item])]
        row.append(float(ripple[item]))
        if continuous_limit is not None:
            row.append(float(continuous_limit[item]))
        rows.append(tuple(row))
    return Table(title="Operating points", columns=tuple(columns), rows=tuple(rows))


def _figures(found: CheckResult) -> dict[str, WaveformFigures]:
    return {f.name: f for f in found.stage.waves.figures()}


def stress_table(found: CheckResult) -> Table:
    """Currents of inductors and capacitors, voltages across switch and rectifier, at every corner."""
    figures = _figures(found)
    columns, series = [INPUT, LOAD], []
    case = found.case
    for name, f in figures.items():
        if name[2:-1] in inductors(case):
            part = name[2:-1]
            columns += [Column(heading=f"{part} {kind}", unit="A") for kind in ("peak", "average", "rms")]
            series += [f.peak, f.average, f.rms]
    for name, f in figures.items():
        if name.startswith("i(C") or (name.startswith("i(") and name[2:-1] in capacitors(case)):
            columns.append(Column(heading=f"{name[2:-1]} rms", unit="A"))
            series.append(f.rms)
    for device in device_names(case):
        columns.append(Column(heading=f"{device} peak current", unit="A"))
        columns.append(Column(heading=f"{device} peak voltage", unit="V"))
        series += [figures[f"i({device})"].peak, figures[f"v({device})"].peak]
    rows = tuple((*_conditions(found, i), *(float(s[i]) for s in series)) for i in _each(found))
    return Table(title="Currents and voltages", columns=tuple(columns), rows=rows)


def roots_table(found: CheckResult) -> Table:
    """Every named pole and zero of the plant, corner by corner."""
    columns = (
        INPUT, LOAD, Column(heading="name"), Column(heading="kind"), Column(heading="frequency", unit="Hz"),
        Column(heading="Q", unit=""), Column(heading="half-plane"),
    )  # fmt: skip
    rows = tuple(
        (*_conditions(found, i), f.name, f.kind, f.frequency_hz, f.quality, _side(f.right_half_plane))
        for i in _each(found)
        for f in _roots_of(found, i)
    )
    return Table(title="Poles and zeros of the plant", columns=columns, rows=rows)


def _side(right_half_plane: bool) -> str:
    return "right" if right_half_plane else "left"


def _roots_of(found: CheckResult, item: int) -> list[Feature]:
    return [f for f in found.stage.plants[item].features if f.frequency_hz is not None]


def roots_summary(found: CheckResult) -> Table:
    """Range over the corners of every named pole and zero: where it lies lowest and highest, and how sharp it is."""
    columns = (
        Column(heading="pole or zero", key=True), Column(heading="lowest", unit="Hz", own_prefix=True),
        Column(heading="highest", unit="Hz", own_prefix=True), Column(heading="half-plane"),
        Column(heading="highest |Q|", unit=""), Column(heading="lowest at"), Column(heading="highest at"),
    )  # fmt: skip
    groups: dict[str, list[tuple[float, int, Feature]]] = {}
    for item in _each(found):
        for f in _roots_of(found, item):
            groups.setdefault(f.name, []).append((f.frequency_hz or 0.0, item, f))
    rows: list[tuple[CellValue, ...]] = []
    for name, members in sorted(groups.items(), key=lambda g: min(m[:2] for m in g[1])):
        low, high = min(members, key=lambda m: m[:2]), max(members, key=lambda m: m[:2])
        sharp = [abs(m[2].quality) for m in members if m[2].quality is not None]
        right = [m for m in members if m[2].right_half_plane]
        side = (
            "right" if len(right) == len(members) else f"right at {len(right)} of {len(members)}" if right else "left"
        )
        at = [corner_name(found.conditions, m[1]) for m in (low, high)]
        rows.append((name, low[0], high[0], side, max(sharp, default=None), *at))
    return Table(title="Poles and zeros of the plant over all corners", columns=columns, rows=tuple(rows))


def zero_table(found: CheckResult) -> Table:
    """DC gain and right-half-plane zero at every corner, beside the rule of thumb."""
    columns = (
        INPUT, LOAD, Column(heading="dc gain", unit=""), Column(heading="right-half-plane zero", unit="Hz"),
        Column(heading="by rule of thumb", unit="Hz"),
    )  # fmt: skip
    rows = tuple(
        (*_conditions(found, i), float(p.dc_gain), p.right_half_plane_zero_hz, p.rule_of_thumb_hz)
        for i, p in enumerate(found.stage.plants)
    )
    return Table(title="DC gain and right-half-plane zero", columns=columns, rows=rows)


def parts_table(found: CheckResult, chosen: Mapping[str, float]) -> Table:
    """Compensation parts and divider; a part is chosen where the case leaves it open or ``chosen`` names it."""
    network = found.case.compensation
    opened = network.open_parts if network is not None else tuple(found.parts)
    columns = (Column(heading="part"), Column(heading="value"), Column(heading="origin"))
    rows: list[tuple[CellValue, ...]] = [
        (name, part_value(name, value), "chosen" if name in chosen or name in opened else "given")
        for name, value in (*found.parts.items(), *((k, v) for k, v in chosen.items() if k not in found.parts))
        if not name.startswith("divider.")
    ]
    if found.margins and found.case.current_sense is not None:
        rows.append(("current sense resistor", part_value("R1", found.case.current_sense.resistance), "given"))
    elif found.margins:
        d, given = divider(found.case), found.case.divider
        follows = given is not None and given.upper is None
        origin = "chosen" if "divider.upper" in chosen else "computed" if follows else "given"
        rows.append(("upper divider resistor", part_value("R1", float(d.upper)), origin))
        rows.append(("lower divider resistor", part_value("R1", float(d.lower)), "given"))
        if float(d.feedforward):
            rows.append(("feed-forward capacitor", part_value("C1", float(d.feedforward)), "given"))
    return Table(title="Parts of the loop", columns=columns, rows=tuple(rows))


_UNITS = PART_UNITS | {"divider.upper": "ohm"}


def part_value(name: str, value: float, *, ascii_only: bool = False) -> str:
    """Write a part's value in its unit; 0 is a part not fitted."""
    if name == "slope":
        return format_quantity(value, "V/s", ascii_only=ascii_only)
    if not value:
        return "not fitted"
    return format_quantity(value, _UNITS.get(name, ""), ascii_only=ascii_only)


def network_table(found: CheckResult) -> Table:
    """Poles and zeros of the compensation network at nominal parts; empty without a loop."""
    columns = (Column(heading="pole or zero"), Column(heading="frequency", unit="Hz"))
    rows: tuple[tuple[CellValue, ...], ...] = ()
    if found.margins:
        case = found.case
        features = network_features(amplifier(case), divider(case), network_parts(case, found.parts))
        rows = tuple((name, float(hz)) for name, hz in sorted(features.items(), key=lambda f: float(f[1])))
    return Table(title="Poles and zeros of the compensation", columns=columns, rows=rows)


LIMIT_WORDS = {
    "phase_margin": "phase margin, at least",
    "gain_margin": "gain margin, at least",
    "modulus_margin": "modulus margin, at least",
    "crossover_limit": "crossover, at most",
    "crossover": "highest crossover, as near to this as the choice allows and not above",
    "crossover_min": "crossover, at least",
    "step_deviation": "departure at the load step, at most",
    "output_ripple": "output ripple peak to peak, at most",
}


def limits_table(found: CheckResult) -> Table:
    """List what was asked, each limit with where it comes from."""
    columns = (Column(heading="limit"), Column(heading="value"), Column(heading="from"))
    rows = tuple(
        (LIMIT_WORDS.get(x.name, x.name.replace("_", " ")), format_quantity(x.value, x.unit), x.source)
        for x in found.limits
    )
    return Table(title="What was asked", columns=columns, rows=rows)


def without_empty(table: Table, keep: Sequence[str] = ("verdict", "gain margin")) -> Table:
    """Leave out columns in which no row has a value, except those of the headings to keep."""
    kept = [
        k for k, c in enumerate(table.columns) if c.heading in keep or any(cell(row[k], c) != "-" for row in table.rows)
    ]
    return Table(
        title=table.title,
        note=table.note,
        columns=tuple(table.columns[k] for k in kept),
        rows=tuple(tuple(row[k] for k in kept) for row in table.rows),
    )
