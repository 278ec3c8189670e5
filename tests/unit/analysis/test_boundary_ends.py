"""The boundaries in load at the tolerance ends: no combination of ends lies beyond what the search found."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from loopdesign.analysis.loads.ends import boundary_ends
from loopdesign.analysis.regimes.boundary import boundary_at
from loopdesign.case import parse_case
from loopdesign.corners.conditions import Corners
from loopdesign.corners.tolerances import toleranced, variants

TEXT = (Path(__file__).parents[3] / "cases" / "navigation_light_sepic.toml").read_text(encoding="utf-8")
NAMES = ("continuous_limit_a", "least_load_a")


def test_no_combination_of_ends_lies_outside():
    """Regulated current, curves over bias, three temperatures; all 32 combinations at each, every one traced."""
    case = parse_case(TEXT.replace('{ min = "9 V", nominal = "12.6 V", max = "30 V" }', '"30 V"', 1), "c.toml")
    found = boundary_ends(case, {}, NAMES)
    varied = [v for v in toleranced(case, {}) if v.name in found.causes]
    assert len(varied) == len(found.causes) == 5
    signs = np.array(np.meshgrid(*[[-1.0, 1.0]] * 5)).reshape(5, -1).T
    lowest, highest = dict.fromkeys(NAMES, np.inf), dict.fromkeys(NAMES, 0.0)
    for degrees in (-20.0, 25.0, 60.0):
        one = Corners(input_voltage=np.array([30.0]), load_current=np.array([0.7]), temperature=np.array([degrees]))
        at = variants(one, np.zeros(len(signs), np.intp), tuple(varied), signs)
        every = boundary_at(case, {}, at)
        for name in NAMES:
            values = getattr(every, name)
            lowest[name], highest[name] = min(lowest[name], values.min()), max(highest[name], values.max())
    for name in NAMES:
        span = found.of(30.0, name)
        np.testing.assert_allclose([span.lowest.value, span.highest.value], [lowest[name], highest[name]], rtol=1e-5)
