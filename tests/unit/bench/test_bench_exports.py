"""The reader held to exports drawn by seed: whatever the layout, the same response comes back."""

import numpy as np
import pytest
from exports import draw

import loopdesign as ld
from loopdesign.bench.reading.measurement import read_measurement

BATCH, BATCHES = 40, 5


def mistakes(seeds, folder):
    """Read every drawn export and say what went wrong."""
    wrong = []
    for seed in seeds:
        export = draw(seed)
        path = folder / "board.csv"
        path.write_bytes(export.content)
        try:
            found = read_measurement(path, export.clock)
        except ld.DataError as error:
            wrong.append(f"{export.words}: {error}")
            continue
        if found.values.shape != export.values.shape or not np.allclose(found.frequencies_hz, export.hz, rtol=1e-6):
            wrong.append(f"{export.words}: frequencies {found.frequencies_hz[[0, -1]]}, {found.read_as}")
        elif not np.allclose(found.values, export.values, rtol=2e-4, atol=2e-5):
            wrong.append(f"{export.words}: values {found.values[:2]} for {export.values[:2]}, {found.read_as}")
        elif len(found.dropped) != export.gaps:
            wrong.append(f"{export.words}: {len(found.dropped)} rows left out, {export.gaps} have gaps")
    return wrong


@pytest.mark.parametrize("batch", range(BATCHES))
def test_awkward_exports_give_the_response_they_hold(tmp_path, batch):
    assert mistakes(range(BATCH * batch, BATCH * (batch + 1)), tmp_path) == []


@pytest.mark.nightly
def test_thousands_of_awkward_exports(tmp_path):
    assert mistakes(range(10_000, 14_000), tmp_path) == []
