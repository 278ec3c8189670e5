"""The load step against cycle means simulated on the switched circuit (``data/README.md``)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.testing import assert_allclose

from loopdesign.analysis.transient.steps import step
from loopdesign.case import load_case

DATA = Path(__file__).parent / "data"


def test_sepic_load_step():
    """Peak within 0.5 % and every point within 0.2 % of the deviation's peak is asked for.

    The stepping is exact: what is left is the ten decimals of the file, 1e-9 of the peak with room.
    """
    time_s, expected = np.loadtxt(DATA / "sepic_load_step.csv", delimiter=",", skiprows=1).T
    case = load_case(DATA / "sepic_load_step.toml")
    (result,) = step(case).of("load")
    peak = np.abs(expected - case.specification.output_voltage).max()
    assert len(result.time_s) >= len(time_s)
    assert_allclose(result.time_s[: len(time_s)], time_s, rtol=1e-12)
    assert_allclose(result.output_voltage_v[: len(time_s)], expected, rtol=0.0, atol=2e-9 * peak)
    assert_allclose(result.peak_deviation_v, peak, rtol=2e-9)
    assert result.stable
