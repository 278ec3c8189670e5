"""Print the ratios of a run under its timings; none is asserted, for a busy machine proves nothing."""

import pytest

_RATIOS = []


@pytest.fixture
def record_ratio():
    """Keep a line ``what: ratio`` for the end of the run."""

    def keep(what, ratio):
        _RATIOS.append(f"{what}: {ratio:.3g}")

    return keep


def pytest_terminal_summary(terminalreporter):
    if _RATIOS:
        terminalreporter.section("ratios")
        for line in _RATIOS:
            terminalreporter.write_line(line)
