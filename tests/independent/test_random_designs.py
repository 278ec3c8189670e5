"""Random designs, every corner judged by the program and by brute force; many more are drawn by `judge_random.py`."""

from __future__ import annotations

import pytest
from judge_random import one
from random_designs import TOPOLOGIES


@pytest.mark.parametrize("stratum", ["ordinary", "boundary"])
@pytest.mark.parametrize("topology", TOPOLOGIES)
def test_check_meets_the_judge(topology, stratum):
    found = one((31_000 + TOPOLOGIES.index(topology), topology, stratum, ()))[1]
    assert not found, "\n" + "\n".join(f"{d.kind}: {d}" for d in found)
