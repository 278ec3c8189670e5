"""Eight random designs of each topology, every corner judged by the program and by brute force; see `judge_random.py`.

Not collected by name: run it as `pytest tests/independent/random_designs_check.py`.
"""

from __future__ import annotations

import pytest
from judge_random import eight, one
from random_designs import TOPOLOGIES


@pytest.mark.parametrize("topology", TOPOLOGIES)
def test_check_meets_the_judge(topology):
    found = [d for job in eight(topology) for d in one(job)[1]]
    assert not found, "\n" + "\n".join(f"{d.kind}: {d}" for d in found)
