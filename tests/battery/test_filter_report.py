"""What the report says and draws of an input filter."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.analysis.filter_study import filter_study
from loopdesign.case import load_case
from loopdesign.report.content.blocks import Figure
from loopdesign.report.content.chapters.dynamics import filters_chapter
from loopdesign.report.filter.plots import (
    impedance_figure,
    loop_change_figure,
    plot_filter_impedances,
    plot_loop_change,
)
from loopdesign.report.filter.section import damper_table, filter_sentences, filter_table

CASES = Path(__file__).parents[2] / "cases"
PARTS = {"R1": 7870.0, "C1": 27e-9, "C2": 680e-12}


def beacon(**changes):
    case = load_case(CASES / "beacon_boost.toml")
    if not changes:
        return case
    choke = case.input_filter.L.model_copy(update={"inductance": 33e-6, "resistance": 0.005})
    return case.model_copy(update={"input_filter": case.input_filter.model_copy(update={"L": choke, **changes})})


@pytest.fixture(scope="module")
def calm():
    return filter_study(beacon(), PARTS)


@pytest.fixture(scope="module")
def near():
    return filter_study(beacon(damper=None), PARTS)


def test_sentences_of_a_filter_that_keeps_its_distance(calm):
    (sentence,) = filter_sentences(calm)
    assert sentence.startswith("the input filter keeps ")
    assert "Hz" in sentence
    assert damper_table(calm) is None


def test_sentences_of_a_filter_too_near_name_frequency_and_damper(near):
    told = filter_sentences(near)
    assert any(" kHz; " in s and "6 dB" in s for s in told)
    (proposed,) = [s for s in told if s.startswith("proposed damper: ")]
    assert "every corner is then stable" in proposed


def test_table_has_a_verdict_beside_every_margin(near):
    table = filter_table(near)
    headings = [c.heading for c in table.columns]
    assert len(table.rows) == len(near.conditions)
    for margin, verdict in (("phase margin", "without filter"), ("phase margin with filter", "with filter")):
        assert headings.index(verdict) < headings.index(margin)
        assert {row[headings.index(verdict)] for row in table.rows} <= {"stable", "UNSTABLE"}
    dampers = damper_table(near)
    assert dampers is not None
    assert dampers.rows[0][0] == "R-C across the capacitor"


def test_no_damper_that_ruins_the_attenuation_is_proposed(near):
    """R-L across the choke costs 20 log(1 + 1/n) of attenuation (F4): told and not listed."""
    proposal = near.proposal
    assert all(d.attenuation_loss_db <= 10.0 for d in proposal.alternatives)
    (lost,) = [d for d in proposal.left_out if d.kind == "R-L across the choke"]
    assert lost.attenuation_loss_db == pytest.approx(20.0 * np.log10(1.0 + 1.0 / lost.ratio))
    assert lost.attenuation_loss_db > 10.0
    assert all(row[0] != lost.kind for row in damper_table(near).rows)
    assert any("R-L across the choke is not proposed" in s and "dB of attenuation" in s for s in filter_sentences(near))


def test_a_proposal_below_its_own_rule_says_so(near):
    """The 6 dB a damper is chosen by: kept where a capacitor of ten times the filter's reaches it, else told."""
    assert near.proposal.enough == (near.proposal.separation.db.min() >= 6.0)
    weak = replace(near.proposal.separation, db=near.proposal.separation.db - 20.0)
    told = filter_sentences(replace(near, proposal=replace(near.proposal, separation=weak)))
    assert any("less than the 6 dB it was to reach" in s for s in told)
    assert near.proposal.enough
    assert not any("it was to reach" in s for s in filter_sentences(near))


def test_impedance_plot_draws_what_was_computed(near):
    ax = plot_filter_impedances(near, 1.0)
    items = np.flatnonzero(near.conditions.load_current == 1.0)
    lines = {line.get_label(): line for line in ax.get_lines()}
    assert sum(label.startswith("converter, ") for label in lines) == len(items)
    assert_allclose(lines["filter"].get_ydata(), np.abs(near.filter_ohm[items[0]]))
    assert_allclose(lines["filter"].get_xdata(), near.frequencies_hz)
    worst = items[np.argmin(near.separation.db[items])]
    (note,) = ax.texts
    assert note.get_text().strip().startswith(f"{near.separation.db[worst]:.1f} dB at ")
    assert ax.get_xlabel() == "frequency [Hz]"
    assert ax.get_ylabel() == "impedance [Ω]"
    assert np.abs(near.filter_ohm[items[0]]).max() > 0.99 * near.separation.filter_ohm[items].max()


def test_loop_change_plot_draws_what_was_computed(near):
    ax = plot_loop_change(near, 0.1)
    item = int(np.flatnonzero(near.conditions.load_current == 0.1)[0])
    assert_allclose(ax.get_lines()[0].get_ydata(), near.loop_change_db[item])


def test_figures_have_a_plot_per_load_and_none_without_a_loop(near):
    assert len(impedance_figure(near).axes) == 2
    assert len(loop_change_figure(near).axes) == 2
    blocks = filters_chapter(filter_study(beacon(), {}), None)
    assert [b.name for b in blocks if isinstance(b, Figure)] == ["filter_impedances"]
