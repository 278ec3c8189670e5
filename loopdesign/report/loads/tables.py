"""Loads of a case as tables: boundaries, what happens below them, held currents, and output characteristics."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.regimes.overload.ceiling import DOUBLINGS, LEAST
from loopdesign.report.basics.status import held_word, stable_word
from loopdesign.report.basics.tables import VERDICT, Column, Table
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.analysis.loads.result import LoadsResult
    from loopdesign.analysis.regimes.light import LightLoad
    from loopdesign.analysis.regimes.overload.curve import OverloadCurve
    from loopdesign.analysis.regimes.overload.points import OverloadPoint
    from loopdesign.report.basics.tables import CellValue

INPUT = Column(heading="input", unit="V", key=True)


def boundary_table(found: LoadsResult) -> Table:
    """Tabulate the loads at which conduction and regulation change.

    Parameters
    ----------
    found : LoadsResult
        The loads.

    Returns
    -------
    Table
        One row per input voltage.
    """
    columns = (
        INPUT, Column(heading="continuous above", unit="A"), Column(heading="pulse every period down to", unit="A"),
        Column(heading="what ends a pulse every period"), Column(heading="limit reached at", unit="A"),
    )  # fmt: skip
    rows: list[tuple[CellValue, ...]] = []
    for k, row in enumerate(found.to_rows()):
        least = found.boundary.least_load_a[k]
        rows.append(
            (
                row["input_voltage"], row["continuous_limit_a"], row["least_load_a"] or None,
                _ending(found, least, row["least_load_by"]), _largest(found, k),
            )
        )  # fmt: skip
    return Table(
        title="Loads at which conduction and regulation change", columns=columns, rows=tuple(rows),
        note="Traced by root-finding at each input voltage, nominal parts; stability is not examined.",
    )  # fmt: skip


NAMES = {
    "continuous_limit_a": "continuous above",
    "least_load_a": "pulse every period down to",
    "largest_load_a": "limit reached at",
}
"""Boundaries by their names in a row."""


def ends_table(found: LoadsResult) -> Table:
    """Tabulate how low and how high the boundaries come at the tolerance ends.

    Parameters
    ----------
    found : LoadsResult
        The loads.

    Returns
    -------
    Table
        One row per boundary and listed input voltage; none where there are no ranges.
    """
    columns = (
        Column(heading="boundary", key=True), INPUT, Column(heading="lowest", unit="A", group="amps"),
        Column(heading="nominal", unit="A", group="amps"), Column(heading="highest", unit="A", group="amps"),
    )  # fmt: skip
    nominal = {round(row["input_voltage"], 9): row for row in found.to_rows()}
    ranges = () if found.ends is None else sorted(found.ends.ranges, key=lambda r: list(NAMES).index(r.name))
    beyond = {**dict.fromkeys(NAMES, "no load of the case"), "largest_load_a": _not_up_to(found)}
    rows: list[tuple[CellValue, ...]] = [
        (
            NAMES[r.name], r.input_voltage, _load(r.lowest.value, beyond[r.name]),
            nominal[round(r.input_voltage, 9)][r.name], _load(r.highest.value, beyond[r.name]),
        )
        for r in ranges
        if r.highest.value
    ]  # fmt: skip
    return Table(
        title="The same at the tolerance ends", columns=columns, rows=tuple(rows),
        note="Lowest and highest over temperatures and combinations of tolerance ends; JSON says which they are.",
    )  # fmt: skip


def _load(value: float, beyond: str) -> CellValue:
    """Give a load [A], or the words for an infinite one."""
    return value if np.isfinite(value) else beyond


def _ending(found: LoadsResult, least: float, by: str | None) -> str:
    """Say what ends regulation by a pulse every period, or that nothing does."""
    if np.isnan(least):
        return "could not be followed"
    if np.isinf(least):
        return f"{by}, at every load of the case"
    if not least:
        return f"nothing down to {format_quantity(found.boundary.smallest_load_a, 'A')}"
    return str(by)


def _largest(found: LoadsResult, item: int) -> CellValue:
    """Give the load at which the limit is reached [A], or say between which none was found."""
    if found.largest_load_a is None:
        return None
    largest, full = float(found.largest_load_a[item]), found.case.specification.output_current.highest
    if np.isnan(largest):
        return "could not be followed"
    if np.isinf(largest):
        return _not_up_to(found)
    return largest or f"below {format_quantity(full * LEAST, 'A')}"


def _not_up_to(found: LoadsResult) -> str:
    """Say up to which load the limit was looked for."""
    full = found.case.specification.output_current.highest
    return f"not up to {format_quantity(full * 2.0**DOUBLINGS, 'A')}"


def below_table(found: LoadsResult) -> Table:
    """Tabulate what the converter does below the boundary.

    Parameters
    ----------
    found : LoadsResult
        The loads.

    Returns
    -------
    Table
        One row per input voltage and load.
    """
    columns = (
        INPUT, Column(heading="load", unit="A", key=True), VERDICT, Column(heading="mean output", unit="V", digits=5),
        Column(heading="ripple p-p", unit="V"), Column(heading="bursts from", unit="Hz"),
        Column(heading="to", unit="Hz"), Column(heading="pulses from", unit=""), Column(heading="to", unit=""),
        Column(heading="average control", unit="V"), Column(heading="bursts steady"),
    )  # fmt: skip
    rows: list[tuple[CellValue, ...]] = []
    for row in found.below:
        light = row.found
        if light is None:
            rows.append((row.input_voltage, row.load_current, "not followed", *(None,) * 8))
            continue
        skips = light.ripple_v is not None
        rows.append(
            (
                row.input_voltage, row.load_current, light.regime, _mean(light), light.ripple_v,
                light.burst_lowest_hz, light.burst_highest_hz, light.burst_pulses_least, light.burst_pulses_most,
                light.mean_control_v, ("yes" if light.steady else "no") if skips else None,
            )
        )  # fmt: skip
    return Table(
        title="Below the least load regulated with a pulse every period", columns=columns, rows=tuple(rows),
        note="At a half and a tenth of that load, the loop closed: skipped pulses as stepped, a risen output as "
        "the periodic orbit of the shortest pulse.",
    )  # fmt: skip


def _mean(light: LightLoad) -> CellValue:
    """Give the mean output [V], or say why there is none."""
    if light.mean_output_v is None:
        return "none found" if light.examined else "not examined"
    return light.mean_output_v


def overload_table(curve: OverloadCurve) -> Table:
    """Tabulate the output characteristic at one input voltage.

    Parameters
    ----------
    curve : OverloadCurve
        The curve.

    Returns
    -------
    Table
        One row per point.
    """
    further = tuple(dict.fromkeys(name for p in curve.points for name in p.outputs))
    columns = (
        Column(heading="output", unit="V", key=True, group="volts"),
        Column(heading="current", unit="A", key=True, group="amps"), VERDICT,
        Column(heading="pulse ended by"), Column(heading="duty", unit=""),
        Column(heading="largest multiplier", unit=""), Column(heading="input power", unit="W"),
        Column(heading="lost", unit="W"), Column(heading="switch peak", unit="A", group="amps"),
        Column(heading="stepped output", unit="V", group="volts"),
        Column(heading="stepped current", unit="A", group="amps"),
        *(Column(heading=f"output {name}", unit="V") for name in further), Column(heading="energy error"),
    )  # fmt: skip
    rows = tuple(
        (
            p.output_voltage_v, p.output_current_a, point_word(p), p.ended, p.duty, p.largest_multiplier,
            p.input_power_w, p.loss_w, p.switch_peak_a, p.stepped_voltage_v, p.stepped_current_a,
            *(p.outputs.get(name) for name in further), None if p.energy_error is None else f"{p.energy_error:.1e}",
        )
        for p in curve.points
    )  # fmt: skip
    return Table(
        title=f"Output characteristic with the controller at its limit, {input_volts(curve.input_voltage)} input",
        columns=columns, rows=rows,
        note="Averages of the periodic orbit. Where it is not stable or not kept, the converter was stepped in time: "
        "output voltage to some tenths of a percent, current to about 1 %; none where it came to no rest.",
    )  # fmt: skip


def levels_table(found: LoadsResult) -> Table:
    """Tabulate the voltages between which the controller's limits allow every regulated current.

    Parameters
    ----------
    found : LoadsResult
        The loads, of a case whose current is regulated.

    Returns
    -------
    Table
        One row per input voltage and level.
    """
    columns = (
        INPUT, Column(heading="current", unit="A", key=True), Column(heading="allowed from", unit="V", group="volts"),
        Column(heading="bounded by"), Column(heading="allowed to", unit="V", group="volts"),
        Column(heading="bounded by"),
    )  # fmt: skip
    rows: list[tuple[CellValue, ...]] = [
        (
            curve.input_voltage, level.load_current, level.held_from_v, level.held_from_by or "nothing",
            level.held_to_v, level.held_to_by or "nothing found",
        )
        for curve in found.overload
        for level in curve.levels
    ]  # fmt: skip
    return Table(
        title="Voltages between which the controller's limits allow the current (stability not examined)",
        columns=columns, rows=tuple(rows),
        note="Voltages of the load of the case, its drop and resistance changed in proportion; nominal parts. The loop "
        "may be unstable within them: run check with the load in question.",
    )  # fmt: skip


def point_word(point: OverloadPoint) -> str:
    """Say the verdict of one point of an output characteristic.

    Parameters
    ----------
    point : OverloadPoint
        The point.

    Returns
    -------
    str
        ``stable``, ``UNSTABLE``, ``NOT HELD`` with the reason, or ``stepped`` where there is no orbit.
    """
    if point.stable is None:
        return "stepped"
    return held_word(point.held) if point.held is not None else stable_word(point.stable)


def input_volts(value: float) -> str:
    """Write an input voltage in a sentence.

    Parameters
    ----------
    value : float
        Input voltage [V].

    Returns
    -------
    str
        With its unit.
    """
    return f"{value:.4g} V"
