"""A check beyond nominal parts: what it covers, what is worst, and that a worst end is reproduced by a check of its own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.variants.judge import judge
from loopdesign.analysis.variants.solve import base_of
from loopdesign.corners.converters import base_corners
from loopdesign.corners.tolerances import toleranced, variants

CASES = Path(__file__).parents[3] / "cases"
PARTS = {"R1": "1.33 kohm", "C1": "22 nF", "C2": "3.3 nF"}
READINGS = {
    "phase_margin_deg", "gain_margin_db", "modulus_margin", "crossover_hz", "lowest_crossover_hz", "largest_multiplier",
}  # fmt: skip


@pytest.fixture(scope="module")
def case():
    return ld.load_case(CASES / "navigation_light_sepic.toml")


@pytest.fixture(scope="module")
def found(case):
    return ld.check(case, PARTS)


def test_what_it_covers(found):
    assert set(found.worst) == READINGS
    covered = found.examined.to_dict()
    assert (covered["corners"], covered["temperatures"], covered["tolerance_ends"]) == (9, 3, True)
    assert covered["points"] > 27


def test_nominal_leaves_it_out(case):
    nominal = ld.check(case, PARTS, nominal=True)
    assert nominal.beyond is None
    assert nominal.examined.to_dict() == {
        "corners": 9, "temperatures": 1, "tolerance_ends": False, "points": 9, "toleranced_values": 0,
    }  # fmt: skip
    rows = nominal.to_rows()
    assert nominal.worst["phase_margin_deg"].value == min(row["phase_margin_deg"] for row in rows)
    assert nominal.worst["crossover_hz"].value == max(row["crossover_hz"] for row in rows)
    assert nominal.worst["largest_multiplier"].ends == {}
    assert "tolerances and temperatures left out" in " ".join(str(nominal).split())


def test_worst_is_no_better_than_any_nominal_corner(found):
    for row in found.to_rows():
        assert found.worst["phase_margin_deg"].value <= row["phase_margin_deg"] + 0.02
        assert found.worst["gain_margin_db"].value <= row["gain_margin_db"] + 0.02
        assert found.worst["crossover_hz"].value >= row["crossover_hz"] * (1.0 - 1e-4)
        assert found.worst["largest_multiplier"].value >= row["largest_multiplier"] - 1e-6


def test_the_ends_told_make_the_reading_told(case, found):
    """Set to these ends by hand at that corner, the exact model reads the same phase margin."""
    worst = found.worst["phase_margin_deg"]
    parts = dict(found.parts)
    conditions = base_corners(case)
    at = np.flatnonzero(
        (conditions.input_voltage == worst.input_voltage)
        & (conditions.load_current == worst.load_current)
        & (conditions.temperature == worst.temperature)
    )
    base = base_of(case, parts, examine_stage(case, conditions))
    varied = toleranced(case, parts)
    places = np.array([[np.sign(worst.ends[next(iter(v.ends))]) for v in varied]])
    for v, place in zip(varied, places[0], strict=True):
        for name, (low, high) in v.ends.items():
            assert worst.ends[name] == pytest.approx(high if place > 0 else low)
    corners = variants(base.corners, at, varied, places)
    assert judge(base, corners, at).phase_margin_deg[0] == pytest.approx(worst.value, abs=1e-9)


def test_a_limit_that_only_the_ends_miss_fails_the_check(case):
    """Nominal parts keep 64 degrees; with a limit between them and the worst ends the check says so, and where."""
    strict = case.model_copy(update={"targets": case.targets.model_copy(update={"phase_margin": 60.0})})
    assert ld.check(strict, PARTS, nominal=True).targets_met
    whole = ld.check(strict, PARTS)
    assert not whole.targets_met
    (reason,) = whole.reasons
    assert reason.startswith("phase margin 55")
    assert "gm +20 %" in reason
