"""Readings against dense scans: 80,000 points and clusters round everything sharp, over hundreds of random loops.

The scans know the poles and zeros; the readings do not, or know only what their caller tells: the multipliers of the closed
loop, or where resonances are.
"""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.margins.closed_loop import closed_loop_headlines, closed_loop_margins
from loopdesign.margins.margins import find_margins, margins_from_grid

from sharploops import LOW, SWITCHING, AnalogueLoop, SampledLoop, dense_scan  # isort: skip

GROUP = 25
EDGE = 0.5 * SWITCHING * (1.0 - 1e-6)


def number(value):
    return np.nan if value is None else value


def as_scanned(loop, reading, scan, least, *, what):
    """Hold one reading against a dense scan of the same loop: every crossing, and no point nearer to -1 than the one read."""
    assert len(reading.crossovers_hz) == len(scan.crossovers_hz), what
    assert len(reading.phase_crossings_hz) == len(scan.phase_crossings_hz), what
    assert_allclose(reading.crossovers_hz, scan.crossovers_hz, rtol=1e-3, err_msg=what)
    assert_allclose(number(reading.phase_margin_deg), number(scan.phase_margin_deg), atol=0.1, err_msg=what)
    assert_allclose(number(reading.gain_margin_db), number(scan.gain_margin_db), atol=0.02, err_msg=what)
    assert reading.modulus_margin <= least * (1.0 + 1e-6), what
    assert_allclose(
        abs(1.0 + loop(np.array([reading.modulus_margin_hz]))[0]), reading.modulus_margin, rtol=1e-5, err_msg=what
    )


def ends_on_the_axis(*readings):
    """A loop in z is real at half the clock: which side of -180 degrees it ends on is for rounding to say."""
    return any(hz > EDGE for r in readings for hz in r.phase_crossings_hz)


@pytest.mark.parametrize("group", range(12))
def test_closed_loops_whose_multipliers_are_known(group):
    """Three hundred loops by the exact route, and the same numbers by the route for batches."""
    held = 0
    for seed in range(group * GROUP, (group + 1) * GROUP):
        loop = SampledLoop(seed)
        hz = dense_scan(loop.sharp, LOW, 0.5 * SWITCHING)
        values = loop(hz)
        (scan,) = margins_from_grid(hz, values)
        asked = {"switching_hz": SWITCHING, "low_hz": LOW}
        (exact,) = closed_loop_margins(loop, loop.multipliers[None], **asked)
        if ends_on_the_axis(scan, exact):
            continue
        held += 1
        as_scanned(loop, exact, scan, np.abs(1.0 + values).min(), what=f"seed {seed}")
        batch = closed_loop_headlines(loop, loop.multipliers[None], **asked)
        for name, atol in (("phase_margin_deg", 0.1), ("gain_margin_db", 0.02)):
            assert_allclose(getattr(batch, name)[0], number(getattr(exact, name)), atol=atol, err_msg=f"{seed} {name}")
        for name in ("crossover_hz", "lowest_crossover_hz", "modulus_margin"):
            assert_allclose(getattr(batch, name)[0], number(getattr(exact, name)), rtol=1e-3, err_msg=f"{seed} {name}")
    assert held > GROUP // 2


@pytest.mark.parametrize("group", range(6))
def test_loops_whose_resonances_are_told(group):
    """One hundred and fifty loops in s, with nothing told but the frequencies of poles and zeros."""
    for seed in range(group * GROUP, (group + 1) * GROUP):
        loop = AnalogueLoop(seed)
        hz = dense_scan(loop.sharp, 3.0, 5e4)
        values = loop(hz)
        (scan,) = margins_from_grid(hz, values)
        (reading,) = find_margins(loop, low_hz=3.0, high_hz=5e4, count=400, extra_hz=loop.sharp[0])
        as_scanned(loop, reading, scan, np.abs(1.0 + values).min(), what=f"seed {seed}")


def test_a_batch_of_different_loops_equals_each_alone():
    """Items share their grid's size and nothing else."""
    loops = [SampledLoop(seed) for seed in range(1000, 1030)]
    width = max(len(x.multipliers) for x in loops)
    multipliers = np.stack([np.pad(x.multipliers, (0, width - len(x.multipliers))) for x in loops])

    def response(hz):
        return np.stack([x(row) for x, row in zip(loops, hz, strict=True)])

    asked = {"switching_hz": SWITCHING, "low_hz": LOW}
    batch = closed_loop_headlines(response, multipliers, **asked)
    together = closed_loop_margins(response, multipliers, **asked)
    for k, loop in enumerate(loops):
        (exact,) = closed_loop_margins(loop, loop.multipliers[None], **asked)
        assert_allclose(together[k].crossovers_hz, exact.crossovers_hz, rtol=1e-9)
        assert_allclose(together[k].modulus_margin, exact.modulus_margin, rtol=1e-6)
        if not ends_on_the_axis(exact, together[k]):
            assert_allclose(batch.phase_margin_deg[k], number(exact.phase_margin_deg), atol=0.1)
            assert_allclose(batch.gain_margin_db[k], number(exact.gain_margin_db), atol=0.02)
