"""Impedances and line rejection at every corner: numbers, words and the figure."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from byhand import Sepic
from numpy.testing import assert_allclose

from loopdesign.analysis.check import examine
from loopdesign.analysis.impedances import impedances
from loopdesign.analysis.responses import response
from loopdesign.case import load_case
from loopdesign.report.impedances.plots import impedances_caption, impedances_figure, plot_impedances
from loopdesign.report.impedances.section import (
    impedance_answer,
    impedance_paragraphs,
    impedance_table,
)

UNDAMPED = Path(__file__).parents[3] / "cases" / "tide_gauge_sepic_undamped.toml"


@pytest.fixture(scope="module")
def case():
    return load_case(UNDAMPED)


@pytest.fixture(scope="module")
def study(case):
    return impedances(examine(case, case.compensation.parts))


def test_every_corner_of_line_and_load_without_any_step(case, study):
    assert case.specification.line_step is None
    corners = {
        (float(v), float(i))
        for v, i in zip(study.check.conditions.input_voltage, study.check.conditions.load_current, strict=True)
    }
    assert corners == {(v, i) for v in (8.0, 13.0, 30.0) for i in (0.1, 1.2)}
    assert study.closed
    assert study.output.shape == study.line.shape == study.input.shape == (6, len(study.frequencies_hz))


@pytest.mark.parametrize(
    ("name", "quantity"), [("output", "output-impedance"), ("line", "line"), ("input", "input-impedance")]
)
def test_same_numbers_as_a_response_asked_for_one_corner(case, study, name, quantity):
    f = study.frequencies_hz[[3, 90, -2]]
    at = response(case, quantity, frequencies_hz=f, input_voltage=30.0, load_current=1.2).values
    item = int(
        np.flatnonzero((study.check.conditions.input_voltage == 30.0) & (study.check.conditions.load_current == 1.2))[0]
    )
    assert_allclose(getattr(study, name)[item][[3, 90, -2]], at, rtol=1e-6)


def test_low_frequency_limits(study):
    """A held output draws a nearly constant power, so the input resistance is negative; the output stays where it is.

    It follows from how the input current of the stage with its losses changes with line, by hand; the balance leaves out what
    the ripple loses, below half a percent. At light load the loop is too slow to hold the output at the lowest frequency drawn.
    """
    by_hand = Sepic(vout=15.0, load=1.2, winding=0.045, esr=0.004, switch=0.018, drop=0.45, diode=0.015)
    for item in np.flatnonzero(study.check.conditions.load_current == 1.2):
        volts = study.check.conditions.input_voltage[item]
        assert study.input[item, 0].real == pytest.approx(by_hand.input_resistance(volts), rel=5e-3)
        assert abs(study.output[item, 0]) < 0.2 * study.output_peak(item).value


def test_peak_of_a_sharp_resonance_is_met(study):
    """A grid four hundred times as fine around the peak finds no more than two per cent above it."""
    loop = study.check.closed_loop
    item = int(
        np.flatnonzero((study.check.conditions.input_voltage == 13.0) & (study.check.conditions.load_current == 1.2))[0]
    )
    found = study.line_peak(item)
    fine = np.linspace(0.98, 1.02, 2001) * found.frequency_hz
    exact = np.abs(loop.response(fine, "line", ["v(out)"])[item, 0]).max()
    assert found.value <= exact * (1.0 + 1e-9)
    assert found.value == pytest.approx(exact, rel=0.02)


def test_unstable_corner_has_its_verdict_and_no_numbers(study):
    table = impedance_table(study)
    rows = {row[:2]: row[2:] for row in table.rows}
    assert rows[8.0, 1.2] == ("UNSTABLE", *(None,) * 6)
    assert all(row[0] == "stable" and None not in row for at, row in rows.items() if at != (8.0, 1.2))
    assert "cannot be measured at a corner that is not stable" in impedance_paragraphs(study)[1]


def test_figure_names_units_and_verdicts(study):
    figure = impedances_figure(study)
    axes = np.reshape(figure.get_axes(), (4, 2))
    assert [ax.get_ylabel().replace("\n", " ") for ax in axes[:, 0]] == [
        "output impedance [Ω]", "line to output [dB]", "input impedance [Ω]", "its phase [deg]",
    ]  # fmt: skip
    assert [ax.get_xlabel() for ax in axes[3]] == ["frequency [Hz]"] * 2
    assert [t.get_text() for t in axes[0, 1].get_legend().get_texts()] == [
        "8 V: UNSTABLE", "13 V: stable", "30 V: stable",
    ]  # fmt: skip
    line = axes[0, 1].get_lines()[2]
    item = int(
        np.flatnonzero((study.check.conditions.input_voltage == 30.0) & (study.check.conditions.load_current == 1.2))[0]
    )
    assert_allclose(line.get_ydata(), np.abs(study.output[item]))
    figure.canvas.draw()
    labels = [t.get_text() for t in axes[0, 0].get_yticklabels() if t.get_text()]
    assert len(labels) >= 2
    assert not any("10^" in text for text in labels)
    assert plot_impedances(study, 0.1)[3].get_xlabel() == "frequency [Hz]"


def test_panels_of_a_row_share_their_axis(study):
    """What stands side by side can be compared: one axis per row, its limits whole decades."""
    axes = np.reshape(impedances_figure(study).get_axes(), (4, 2))
    for left, right in axes:
        assert left.get_ylim() == right.get_ylim()
    low, high = np.log10(axes[0, 0].get_ylim())
    assert_allclose([low, high], np.round([low, high]), atol=1e-9)


def test_phase_of_the_input_impedance_begins_at_that_of_a_negative_resistance(study):
    """The input of a converter that holds its output draws constant power: -180 degrees at low frequency (Middlebrook 1976)."""
    axes = np.reshape(impedances_figure(study).get_axes(), (4, 2))
    items = np.flatnonzero(study.check.conditions.load_current == 1.2)
    lines = [line for line in axes[3, 1].get_lines() if len(line.get_xdata()) > 2]
    assert len(lines) == len(items)
    for line, item in zip(lines, items, strict=True):
        assert line.get_ydata()[0] == pytest.approx(-180.0, abs=25.0)
        turns = (line.get_ydata() - np.degrees(np.angle(study.input[item]))) / 360.0
        assert_allclose(turns, np.round(turns), atol=1e-9)
    assert "negative resistance" in impedances_caption(study)


def test_table_and_answer(study):
    assert impedance_table(study).title == "Impedances and line rejection"
    assert "UNSTABLE" in {row[2] for row in impedance_table(study).rows}
    answer = json.loads(json.dumps(impedance_answer(study), allow_nan=False))
    assert len(answer["corners"]) == 6
    assert len(answer["corners"][0]["output_impedance_ohm"]["real"]) == len(answer["frequencies_hz"])


def test_without_a_loop_the_control_voltage_is_held(case):
    bare = case.model_copy(update={"error_amplifier": None, "divider": None, "compensation": None})
    study = impedances(examine(bare, {}))
    assert not study.closed
    assert "control voltage held" in impedance_paragraphs(study)[0]
