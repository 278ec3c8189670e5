"""What tests of the lattice search share: a plant, demands, and every combination evaluated whole."""

from __future__ import annotations

import numpy as np

from loopdesign.analysis.limits import Limit, Limits
from loopdesign.synthesis.search.lattice import SearchResult
from loopdesign.synthesis.search.loops import Demands, figures

GRID = np.geomspace(10.0, 150e3, 110)


def one_pole_plant(gain, pole_hz, zero_hz, rhp_hz):
    """Gain, one pole, the zero of a capacitor's series resistance and a right-half-plane zero."""
    s = 1j * GRID
    return gain * (1 + s / zero_hz) * (1 - s / rhp_hz) / (1 + s / pole_hz) / (1 + s / 75e3)


def brute_force(responses, lattice, demands):
    """Evaluate every combination whole."""
    items = np.arange(lattice.size)
    evaluated = figures(responses, lattice.values(items))
    keep = np.flatnonzero(evaluated.feasible(demands))
    scores = evaluated.score(demands.prefer)[keep]
    order = np.lexsort((keep, -scores))
    return SearchResult(
        items=items[keep][order], scores=scores[order], threshold=-np.inf, looked_at=len(items), evaluated=len(items)
    )


def asking(prefer="bandwidth", kept=0.0, **values):
    """Demands with limits by the readings' names, as a case file would set them."""
    rows = [
        Limit(name=n, words=n, reading=r, value=values.pop(r), unit="", source="test", is_highest=h)
        for n, r, h in (
            ("phase_margin", "phase_margin_deg", False),
            ("gain_margin", "gain_margin_db", False),
            ("modulus_margin", "modulus_margin", False),
            ("crossover_limit", "crossover_hz", True),
        )
    ]
    assert not values
    return Demands(limits=Limits(rows=tuple(rows)), prefer=prefer, kept_crossover_hz=kept)
