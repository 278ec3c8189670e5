"""Every mode of an operating point, for tests that look beyond the worst one."""

import numpy as np

from loopdesign.models.verdict import mode_of


def all_modes(model, item=0):
    """Largest multiplier first, one of each complex pair."""
    order = np.argsort(-np.abs(model.multipliers[item]))
    return tuple(mode_of(model, item, int(k)) for k in order if model.multipliers[item][k].imag >= 0.0)
