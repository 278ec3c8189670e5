"""What a run from nothing is called, by hand of its curve."""

from types import SimpleNamespace

import numpy as np
import pytest

from loopdesign.analysis.startup.rise import _latched


@pytest.mark.parametrize(
    ("mean", "latched"),
    [
        (58.0 * np.exp(-np.linspace(0.0, 1.2, 20_000)), False),  # an overshoot that the load alone discharges, at 17 V
        (18.0 - 9.0 * np.exp(-np.linspace(0.0, 1.0, 20_000)), False),  # still rising
        (np.full(20_000, 18.0), True),
        (18.0 - 9.0 * np.exp(-np.linspace(0.0, 20.0, 20_000)), True),
    ],
)
def test_only_an_output_at_rest_below_its_target_stays_down(mean, latched):
    assert _latched(SimpleNamespace(mean=mean), 24.0) is latched
