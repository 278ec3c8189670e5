"""Sensitivities against central differences of whole checks, which find every operating point anew."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.cli import main
from loopdesign.explore.sensitivity import READINGS, moved_case
from loopdesign.explore.sensitivity.arrays import gathered
from loopdesign.orbit.sequence import Edge
from loopdesign.report.content.chapters.dynamics import sensitivity_chapter

CASES = Path(__file__).parents[3] / "cases"
UNDAMPED = CASES / "tide_gauge_sepic_undamped.toml"
NEGLIGIBLE = 0.02
"""Share of the strongest derivative of a reading below which differences drown in the rounding of two checks."""


def readings(found):
    """Read every reading of every corner (R,C)."""
    told = [[np.nan if getattr(m, n) is None else getattr(m, n) for m in found.margins] for n in READINGS[:4]]
    return np.array([*told, np.abs(found.closed_loop.multipliers).max(axis=1)])


def difference(case, key, nominal, h):
    """Take the central difference of fourth order of all readings by the relative change of one value."""
    at = {k: readings(ld.check(moved_case(case, key, nominal * (1 + k * h)), nominal=True)) for k in (-2, -1, 1, 2)}
    return (8 * (at[1] - at[-1]) - (at[2] - at[-2])) / (12 * h)


@pytest.mark.parametrize(
    ("name", "parts", "keys"),
    [
        (
            "tide_gauge_sepic_undamped", None,
            ("stage.L1.inductance", "stage.Cs.capacitance", "stage.Co1.esr", "modulator.slope", "compensation.C2"),
        ),
        pytest.param("mooring_head_flyback", None, ("stage.L1.inductance",), marks=pytest.mark.nightly),
        ("beacon_boost", {"R1": 9.09e3, "C1": 27e-9, "C2": 1.8e-9}, ("stage.L1.inductance", "input_filter.C.capacitance")),
        pytest.param(
            "navigation_light_sepic", {"R1": 4.7e3, "C1": 100e-9, "C2": 1e-9},
            ("modulator.turn_off_delay", "stage.L1.inductance"), marks=pytest.mark.nightly,
        ),
    ],
)  # fmt: skip
def test_derivatives_agree_with_differences_of_checks(name, parts, keys):
    """Within 1e-4, in continuous and discontinuous conduction, with bias curves, two rectifiers, a delay, a filter."""
    found = ld.check(CASES / f"{name}.toml", parts, nominal=True)
    moved = found.sensitivity()
    case = found.case
    for key in keys:
        k = moved.keys.index(key)
        differenced = difference(case, key, moved.nominal[k], 1e-3)
        for row, reading in zip(differenced, READINGS, strict=True):
            exact = moved.derivatives[reading]
            strongest = np.abs(exact).max(axis=1)
            matters = np.abs(exact[:, k]) > NEGLIGIBLE * strongest
            np.testing.assert_allclose(exact[matters, k], row[matters], rtol=1e-4, err_msg=f"{key}: {reading}")


@pytest.mark.parametrize("name", ["mooring_head_flyback", "current_profiler_bipolar"])
def test_edges_of_several_rectifiers_are_those_of_the_orbit(name):
    """Each edge's row is that of the device that moves there: it is zero at the state of the orbit where the edge lies."""
    point = ld.check(CASES / f"{name}.toml", nominal=True).closed_loop.point
    arrays = gathered(point.problem, point.sequence)
    inputs = np.einsum("bkp,bp->bk", arrays.row_input, point.inputs)
    along = np.einsum("bkn,bkn->bk", arrays.row, point.states[:, 1:-1])
    crossing = np.isin(point.sequence.edge[:, :-1], [Edge.COMPARATOR, Edge.RECTIFIER_ENDS, Edge.RECTIFIER_STARTS])
    missed = along + inputs + arrays.ramp * point.sequence.ends[:, :-1]
    assert crossing.sum() > len(point)
    assert np.abs(missed[crossing]).max() < 1e-9


def test_impedance_scaling_leaves_the_margins_alone():
    """Every impedance of the loop's network scaled alike changes nothing but the amplifier's output resistance.

    R1 up, C1 and C2 down and gm down by the same share: the compensator is the same, so the derivatives add to nothing.
    """
    moved = ld.check(UNDAMPED, nominal=True).sensitivity()
    at = {key: k for k, key in enumerate(moved.keys)}
    for name in READINGS:
        d = moved.derivatives[name]
        up = ("compensation.R1", "error_amplifier.output_resistance")
        down = ("compensation.C1", "compensation.C2", "error_amplifier.gm")
        total = sum(d[:, at[k]] for k in up) - sum(d[:, at[k]] for k in down)
        size = np.abs(d).max(axis=1)
        # a slow orbit, whose multiplier is within 1e-3 of one, magnifies what rounding leaves in differenced matrices
        np.testing.assert_allclose((total / size)[np.isfinite(size)], 0.0, atol=1e-6)


def test_the_command_adds_a_table_and_an_object(capsys):
    words = ["check", str(UNDAMPED), "--nominal", "--sensitivity"]
    assert main(words) == 1
    assert "What one percent of each value does" in capsys.readouterr().out
    assert main([*words, "--json"]) == 1
    told = json.loads(capsys.readouterr().out)["sensitivity"]
    assert told["rows"][0]["key"] == "stage.L1.inductance"
    assert len(told["corners"]) == 6
    assert set(told["corners"][0]["derivatives"]) == set(READINGS)


def test_the_report_has_a_chapter_with_bars():
    moved = ld.check(UNDAMPED, nominal=True).sensitivity()
    kinds = [type(block).__name__ for block in sensitivity_chapter(moved)]
    assert kinds == ["SectionHeading", "Paragraph", "Bullets", "Figure", "TableBlock"]
    figure = moved.plot()
    assert [t.get_text() for t in figure.axes[0].get_yticklabels()][-1] == "R1"
    widths = [abs(bar.get_width()) for bar in figure.axes[0].patches]
    assert widths == sorted(widths)
    assert "phase margin moves most with R1" in str(moved)


def test_a_case_without_a_loop_has_none(tmp_path):
    text = UNDAMPED.read_text(encoding="utf-8")
    path = tmp_path / "stage.toml"
    path.write_text(text[: text.index("[error_amplifier]")], encoding="utf-8")
    with pytest.raises(ld.DataError, match="need a closed loop"):
        ld.check(path, nominal=True).sensitivity()
