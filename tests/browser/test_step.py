"""The step on the live desk against the linearised step of the engine."""

import sys
from pathlib import Path

import numpy as np
import pytest
from pages import NINE, checked, nine, nine_corners, page_of

sys.path.append(str(Path(__file__).parents[1] / "independent"))
from random_designs import OPTIONS, draw

CYCLES = 60


@pytest.mark.parametrize("seed", [27, 37, 41, 53])
def test_means_after_a_small_step(seed, opened):
    """Delay, discontinuous conduction, five intervals, a power load."""
    found = checked(draw(seed, options=OPTIONS).text)
    wanted = found.closed_loop.step("load", "v(out)", CYCLES)
    told = np.array(opened(page_of(found)).page.evaluate("window.loopdesign.stepMeans({}, 60)"))
    np.testing.assert_allclose(told, wanted, rtol=0.0, atol=1e-6 * np.abs(wanted).max())


def test_means_are_those_of_the_parts_given(opened):
    found = checked(nine_corners(), NINE | {"R1": 4.7e3})
    wanted = found.closed_loop.step("load", "v(out)", CYCLES)
    told = np.array(opened(nine()).page.evaluate("window.loopdesign.stepMeans({R1: 4700}, 60)"))
    np.testing.assert_allclose(told, wanted, rtol=0.0, atol=1e-6 * np.abs(wanted).max())
