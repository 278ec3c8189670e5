"""The search for the worst tolerance ends against scans of all 2^k combinations."""

from __future__ import annotations

import re
from dataclasses import dataclass
from itertools import combinations, product
from pathlib import Path

import numpy as np
import pytest

from loopdesign.analysis.check import examine_stage
from loopdesign.analysis.given import with_parts
from loopdesign.analysis.variants.ends import EVERY, EndSearch
from loopdesign.analysis.variants.extremes import at_temperatures, badness, extremes
from loopdesign.analysis.variants.judge import judge
from loopdesign.analysis.variants.solve import base_of
from loopdesign.case import parse_case, read_text
from loopdesign.corners.tolerances import toleranced, variants

CASES = Path(__file__).parents[3] / "cases"
TIDE = {"R1": 4320.0, "C1": 1e-7, "C2": 4.7e-9}
BUOY = {"R1": 3920.0, "C1": 1.8e-7, "C2": 6.8e-9}
LIGHT = {"R1": 1330.0, "C1": 22e-9, "C2": 3.3e-9}
"""Parts that ``design`` chooses for these cases."""


def every(causes):
    return np.array(list(product((-1.0, 1.0), repeat=causes)))


def scanned(base, varied):
    """How bad every combination of ends is at every condition (C,2^k,R)."""
    places = every(len(varied))
    rows = []
    for c in range(len(base.corners)):
        here = np.full(len(places), c)
        rows.append(badness(judge(base, variants(base.corners, here, varied, places), here)))
    return np.array(rows)


def base_with(case, parts):
    return at_temperatures(base_of(case, parts, examine_stage(case)))


def case_of(name, parts, change=lambda text: text):
    return with_parts(parse_case(change(read_text(CASES / f"{name}.toml")), name), parts)


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        pytest.param("tide_gauge_sepic", TIDE, id="tide gauge"),
        pytest.param("wave_buoy_coupled_sepic", BUOY, id="wave buoy", marks=pytest.mark.nightly),
        pytest.param(
            "navigation_light_sepic", LIGHT, id="navigation light at three temperatures", marks=pytest.mark.nightly
        ),
    ],
)
def test_shipped_cases_have_no_worse_ends(name, parts):
    case = case_of(name, parts)
    varied, base = toleranced(case, parts), base_with(case, parts)
    assert len(base.corners) * 2 ** len(varied) > EVERY  # or nothing is searched
    found = extremes(base, varied)
    worst = scanned(base, varied).max(axis=(0, 1))
    np.testing.assert_allclose(badness(found.judged).max(axis=0), worst, rtol=1e-9)
    assert found.examined < 0.5 * len(base.corners) * 2 ** len(varied)


def test_signs_alone_miss_the_lowest_crossover_of_the_wave_buoy():
    """400.2 Hz is the lowest of all 6144 combinations; the signs of single influences lead to 406.8 Hz."""
    case = case_of("wave_buoy_coupled_sepic", BUOY)
    found = extremes(base_with(case, BUOY), toleranced(case, BUOY))
    assert found.judged.lowest_crossover_hz.min() == pytest.approx(400.18, abs=0.01)


@pytest.mark.parametrize("seed", range(3))
def test_random_parts_and_tolerances(seed):
    """Wide and uneven tolerances, random compensation, two temperatures; a scan of all combinations is the judge."""
    draw = np.random.default_rng(seed)

    def change(text):
        text = re.sub(r'tolerance = "[\d.]+ %"', lambda _: f'tolerance = "{draw.choice([5, 10, 20, 30, 40])} %"', text)
        text = text.replace('tolerance = "5 %"', 'tolerance = ["-20 %", "+60 %"]', 1)
        text = text.replace('reference = "1.2 V"', 'reference = "1.2 V"\ngm_temperature_coefficient = "-3000 ppm/K"')
        text = re.sub(r"output_current = .*", 'output_current = ["0.3 A", "1.2 A"]', text)
        return re.sub(
            r"input_voltage = .*", 'input_voltage = ["9 V", "24 V"]\ntemperature = ["-20 degC", "25 degC"]', text
        )

    parts = {
        "R1": 10 ** draw.uniform(3.3, 4.3),
        "C1": 10 ** draw.uniform(-8, -6.8),
        "C2": 10 ** draw.uniform(-10, -8.3),
    }
    case = case_of("tide_gauge_sepic", parts, change)
    varied, base = toleranced(case, parts), base_with(case, parts)
    assert len(base.corners) * 2 ** len(varied) > EVERY
    found = badness(extremes(base, varied).judged).max(axis=0)
    np.testing.assert_allclose(found, scanned(base, varied).max(axis=(0, 1)), rtol=1e-7)


@dataclass(frozen=True)
class Table:
    """Readings (N,R) of a surface known in closed form."""

    values: np.ndarray


def surface(seed, causes, readings, conditions, strength):
    """Multilinear surfaces over the places: own influences, and interactions of every pair."""
    draw = np.random.default_rng(seed)
    own = draw.normal(size=(conditions, readings, causes))
    pair = strength * draw.normal(size=(conditions, readings, causes, causes)) * np.triu(np.ones((causes, causes)), 1)

    def judged(condition, places):
        bent = np.einsum("ni,nrij,nj->nr", places, pair[condition], places)
        return Table(np.einsum("nrk,nk->nr", own[condition], places) + bent)

    return judged


@pytest.mark.parametrize("strength", [0.0, 0.1, 0.3])
@pytest.mark.parametrize("seed", range(4))
def test_no_single_and_no_pair_of_ends_is_worse(seed, strength):
    """On surfaces with interactions: at the worst condition nothing within two ends of the worst is worse."""
    judged = surface(seed, 9, 3, 4, strength)
    ends = EndSearch(judged, lambda found: found.values, 9, np.arange(4)).run()
    values = ends.found.values[ends.worst, np.arange(3)]
    for r in range(3):
        c = int(np.argmax(values[:, r]))
        signs = ends.places[ends.worst[c, r]]
        around = [signs * np.where(np.isin(np.arange(9), turned), -1.0, 1.0)
                  for size in (1, 2) for turned in combinations(range(9), size)]  # fmt: skip
        assert judged(np.full(len(around), c), np.array(around)).values[:, r].max() <= values[c, r] + 1e-12


@pytest.mark.parametrize("seed", range(4))
def test_own_influences_alone_are_settled_by_their_signs(seed):
    """Without interactions the worst combination is known: every end where it is worse; found without going on."""
    judged = surface(seed, 9, 3, 4, 0.0)
    asked = []

    def counted(condition, places):
        asked.append(len(condition))
        return judged(condition, places)

    ends = EndSearch(counted, lambda found: found.values, 9, np.arange(4)).run()
    values = ends.found.values[ends.worst, np.arange(3)]
    exact = np.array([[judged(np.full(512, c), every(9)).values[:, r].max() for r in range(3)] for c in range(4)])
    np.testing.assert_allclose(values, exact, rtol=1e-12)
    assert sum(asked) < 0.25 * 4 * 512


def test_few_combinations_are_all_judged():
    judged = surface(0, 5, 2, 3, 2.0)
    ends = EndSearch(judged, lambda found: found.values, 5, np.arange(3)).run()
    assert len(ends.condition) == 3 * 32
    exact = np.array([judged(np.full(32, c), every(5)).values.max(axis=0) for c in range(3)])
    np.testing.assert_array_equal(ends.found.values[ends.worst, np.arange(2)], exact)
