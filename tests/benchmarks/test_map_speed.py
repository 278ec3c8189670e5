"""The map over coupling capacitor and damper of the tide-gauge supply: its cost, and the region in which its plot lies.

To be read with `pytest tests/benchmarks -m nightly`; ten seconds are to be reached for the whole map, told as processor time,
which a busy machine lengthens less than the clock on its wall.
"""

import time
from pathlib import Path

import pytest

import loopdesign as ld

UNDAMPED = Path(__file__).parents[2] / "cases" / "tide_gauge_sepic_undamped.toml"
DAMPER = 'damper = { resistance = "2.7 ohm", capacitance = "33 uF" }\nswitch = {'
POINTS = 11


@pytest.mark.nightly
def test_map_over_coupling_capacitor_and_damper(tmp_path, record_ratio):
    """Every point with all corners, the boundary traced: unstable points whose plot shows the margins asked for among them."""
    path = tmp_path / "damped.toml"
    path.write_text(UNDAMPED.read_text(encoding="utf-8").replace("switch = {", DAMPER), encoding="utf-8")
    began = time.process_time()
    swept = ld.sweep(
        path, {"stage.Cs.capacitance": ("2 uF", "20 uF"), "stage.damper.resistance": ("5 ohm", "200 ohm")},
        points=POINTS, log=True,
    )  # fmt: skip
    seconds = time.process_time() - began
    misleading = [p for p in swept.points if p.misleading]
    assert len(swept.points) == POINTS**2
    assert misleading
    assert all(p.largest_multiplier > 1.0 and p.phase_margin_deg >= 55.0 for p in misleading)
    assert swept.boundary.curves
    assert {p.stable for p in swept.points} == {True, False}
    record_ratio("map of 121 points, processor seconds over ten (to reach: 1)", seconds / 10.0)
    record_ratio("points in the region where the plot lies", len(misleading))
