"""A crossover asked for above the crossover limit: a refusal of a design, a word in a check."""

from __future__ import annotations

from pathlib import Path

import pytest

from loopdesign.analysis.check import examine
from loopdesign.case import parse_case, read_text
from loopdesign.errors import NoDesignError
from loopdesign.synthesis.choice.choose import choose

TEXT = read_text(Path(__file__).parents[3] / "cases" / "tide_gauge_sepic.toml")
PARTS = {"R1": 6.8e3, "C1": 22e-9, "C2": 0.0}


def case(key, value):
    text = TEXT.replace('crossover = "auto"\n', "").replace("[targets]", f'[targets]\n{key} = "{value}"')
    return parse_case(text, "gauge.toml")


@pytest.mark.parametrize("key", ["crossover", "crossover_min"])
def test_design_refuses(key):
    """The limit is a quarter of the right-half-plane zero, 4.98 kHz."""
    with pytest.raises(
        NoDesignError, match=rf"targets\.{key} asks for 6.00 kHz, above the crossover limit of"
    ) as caught:
        choose(case(key, "6 kHz"))
    assert caught.value.exit_status == 3
    assert "ask for a lower crossover, or set targets.crossover_limit higher" in caught.value.obstacles[0]


@pytest.mark.parametrize("key", ["crossover", "crossover_min"])
def test_check_tells(key):
    warnings = examine(case(key, "6 kHz"), PARTS).warnings
    assert any(w.startswith(f"targets.{key} asks for 6.00 kHz, above the crossover limit") for w in warnings)
    assert not any("above the crossover limit" in w for w in examine(case(key, "700 Hz"), PARTS).warnings)


def test_lowest_crossover_binds_every_corner():
    """The slowest corner, 8 V and 0.1 A, crosses at 1.57 kHz."""
    met = examine(case("crossover_min", "1.5 kHz"), PARTS)
    missed = examine(case("crossover_min", "1.6 kHz"), PARTS)
    assert not any("below" in r for r in met.reasons)
    assert any("at 8 V, 0.1 A is below 1.60 kHz" in r for r in missed.reasons)
