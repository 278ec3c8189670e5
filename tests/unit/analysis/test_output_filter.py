"""The output filter: its resonance and attenuation against closed forms, and the damper held by the exact loop."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from loopdesign.analysis.filter_study.output import output_filter_sentences, output_filter_study
from loopdesign.case import parse_case

TEXT = (Path(__file__).parents[2] / "simulated" / "data" / "sepic_output_filter_closed_loop.toml").read_text("utf-8")
DAMPER = "damper = { resistance = 0.22, capacitance = 0.0001 }\n[error"
L, C, ESR, CO, FS = 1e-6, 22e-6, 0.004, 100e-6, 250e3


def study_of(text):
    case = parse_case(text, "filter.toml")
    return output_filter_study(case, case.compensation.parts)


@pytest.fixture(scope="module")
def bare():
    assert DAMPER in TEXT
    return study_of(TEXT.replace(DAMPER, "[error"))


def test_resonance_and_attenuation(bare):
    """L with both capacitors in series; the voltage divider of L and C at the switching frequency, by hand."""
    series = C * CO / (C + CO)
    assert bare.resonance_hz == pytest.approx(1.0 / (2.0 * np.pi * np.sqrt(L * series)), rel=1e-12)
    s = 2j * np.pi * FS
    below = ESR + 1.0 / (s * C)
    assert bare.attenuation_db == pytest.approx(20 * np.log10(abs(below / (below + 0.008 + s * L))), rel=1e-12)


def test_damper_is_proposed_where_the_resonance_nears_one_and_cures_it(bare):
    assert bare.as_given.loop_at_resonance_db.max() > -6.0
    assert bare.damper is not None
    assert bare.damped.loop_at_resonance_db.max() < bare.as_given.loop_at_resonance_db.max() - 6.0
    assert (
        min(m.gain_margin_db for m in bare.damped.margins) > 10.0 > min(m.gain_margin_db for m in bare.as_given.margins)
    )
    assert any(s.startswith("a damper is proposed") for s in output_filter_sentences(bare))


def test_nothing_is_proposed_beside_a_damper():
    study = study_of(TEXT)
    assert study.damper is None
    assert study.damped is None
    assert study.as_given.peak_impedance.max() < 0.3


def test_sensed_before_it_the_loop_is_spared():
    """The loop gain keeps its margins; what the load sees at the resonance no feedback lowers."""
    before = study_of(TEXT.replace(DAMPER, "[error").replace('sense = "after"', 'sense = "before"'))
    after = study_of(TEXT.replace(DAMPER, "[error"))
    assert before.as_given.margins[0].gain_margin_db > after.as_given.margins[0].gain_margin_db + 6.0
    assert before.as_given.peak_impedance.max() > 5.0 * before.without.peak_impedance.max()
