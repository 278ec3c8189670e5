"""What bounds the control voltage at the corners of a case with an optocoupler, against hand arithmetic."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.analysis.check import examine, examine_stage
from loopdesign.analysis.transient.steps import step
from loopdesign.case import parse_case, read_text
from loopdesign.corners.conditions import Corners
from loopdesign.corners.controller import attainable, bounds, control_limits
from loopdesign.report.basics.status import verdict_sentence

FLYBACK = read_text(Path(__file__).parents[3] / "cases" / "echo_sounder_flyback.toml")
PARTS = {"R1": 3.3e3, "C1": 47e-9, "C2": 1e-9}
PULLED = (
    'pull_up_supply = "{supply} V"\nled_drop = "1.1 V"\nregulator_minimum_voltage = "2.5 V"\n'
    'regulator_minimum_current = "{least} mA"\nsaturation_voltage = "0.1 V"\n'
)


def pulled(*, supply=5.0, least=0.4, more="", led="3.3 kohm"):
    """The shipped flyback with all that its optocoupler's operating point depends on."""
    keys = PULLED.format(supply=supply, least=least) + more
    text = FLYBACK.replace('led_resistance = "3.3 kohm"', f'led_resistance = "{led}"')
    return parse_case(text.replace('reference = "2.5 V"\n', 'reference = "2.5 V"\n' + keys), "flyback.toml")


def corners(**factors):
    return Corners(
        input_voltage=np.array([48.0]), load_current=np.array([1.0]), temperature=np.array([25.0]),
        factors={k: np.array([v]) for k, v in factors.items()},
    )  # fmt: skip


def test_a_nominal_corner_stands_for_both_extremes_of_the_ratio():
    """12 - 1.1 - 2.5 V over 3.3 kohm; the lowest with 70 %, the highest with 160 % of 0.4 mA; supply 12 V."""
    low, high = attainable(pulled(supply=12.0), corners())
    assert_allclose(low, 12.0 - 0.7 * 8.4 / 3.3e3 * 4.7e3, rtol=1e-12)
    assert_allclose(high, 12.0 - 1.6 * 0.4e-3 * 4.7e3, rtol=1e-12)


def test_a_drawn_ratio_has_its_own_range():
    low, high = attainable(pulled(supply=12.0), corners(transfer_ratio=0.9))
    assert_allclose([low[0], high[0]], [12.0 - 0.9 * 8.4 / 3.3e3 * 4.7e3, 12.0 - 0.9 * 0.4e-3 * 4.7e3], rtol=1e-12)


def test_the_output_that_feeds_the_light_source_moves_with_its_tolerances():
    """A reference 2 % high makes 12.24 V; a supply of its own does not follow."""
    low, _ = attainable(pulled(supply=12.0), corners(reference=1.02, transfer_ratio=0.9))
    assert_allclose(low, 12.0 - 0.9 * 8.64 / 3.3e3 * 4.7e3, rtol=1e-12)
    own = pulled(supply=12.0, more='led_supply = "9 V"\n')
    assert_allclose(attainable(own, corners(reference=1.02))[0], 12.0 - 0.7 * 5.4 / 3.3e3 * 4.7e3, rtol=1e-12)


def test_without_a_supply_nothing_is_bounded():
    case = parse_case(FLYBACK, "flyback.toml")
    assert attainable(case, corners()) is None
    assert bounds(case, corners()).pull_up is None


def test_stepping_in_time_keeps_clamp_and_pull_up():
    case = pulled(more='clamp = { min = "0.5 V", max = "4.5 V" }\n')
    limits = control_limits(case)
    assert limits.lowest == 0.5  # the pull-up alone would reach the saturation voltage
    assert_allclose(limits.highest, 5.0 - 0.4e-3 * 4.7e3, rtol=1e-12)


@pytest.mark.parametrize(("supply", "word"), [(0.999, None), (1.001, "pull-up")])
def test_verdict_turns_where_hand_arithmetic_says(supply, word):
    """A supply is chosen for which the lowest attainable voltage is what the lightest load needs, and moved by 0.1 %."""
    bare = parse_case(FLYBACK.replace('[compensation]\nnetwork = "type II"\n', ""), "bare.toml")
    stage = examine_stage(bare)
    needed = float(stage.point.trim.min())  # the control voltage is constant with the loop open
    drop = 0.7 * 8.4 / 3.3e3 * 4.7e3
    case = pulled(supply=(needed + drop) * supply, least=0.0)
    case = case.model_copy(update={"compensation": None})
    check = examine(case, {})
    worst = int(np.argmin(stage.point.trim))
    assert check.verdicts[worst].held == word
    assert sum(v.held is not None for v in check.verdicts) == (0 if word is None else 1)


def test_check_says_what_is_needed_and_what_resistor_would_do():
    case = pulled(supply=9.0)
    check = examine(case, PARTS)
    bad = [v.held for v in check.verdicts]
    assert bad[0] == "pull-up"
    assert not check.verdicts[0].stable
    assert check.corners[0].held == "pull-up"
    assert check.corners[0].phase_margin_deg is None
    reason = check.reasons[0]
    assert (
        "36 V, 0.2 A: the output needs a control voltage that the optocoupler and its pull-up cannot deliver" in reason
    )
    # 9 V less 0.7 x 2.545 mA x 4.7 kohm, and 9 V less 1.6 x 0.4 mA x 4.7 kohm
    assert "they deliver 0.625 V to 5.99 V with transfer ratios from 70 % to 160 %" in reason
    assert "an LED resistor below 3.1" in reason
    assert verdict_sentence(check).endswith("the controller does not keep its operating point (pull-up).") or (
        "pull-up" in verdict_sentence(check)
    )
    held = examine(pulled(supply=9.0, led="3 kohm"), PARTS)
    assert [v.held for v in held.verdicts] == [None] * 6


def test_starved_regulator_is_told_with_its_resistor():
    """8.4 V over 0.4 mA is 21 kohm."""
    check = examine(pulled(led="30 kohm"), PARTS)
    assert {v.held for v in check.verdicts} == {"pull-up"}
    assert (
        "the LED resistor lets 280 µA through, the regulator needs 400 µA; an LED resistor below 21.0 kΩ would do"
        in (check.reasons[0])
    )


def test_too_much_standing_light_is_told_with_a_pull_up():
    """The heaviest load needs the highest voltage, which 160 % of 0.7 mA through 4.7 kohm does not leave of 5.6 V."""
    check = examine(pulled(supply=5.6, least=0.7), PARTS)
    assert "pull-up" in {v.held for v in check.verdicts}
    assert any("a pull-up below" in r for r in check.reasons)


def test_step_keeps_within_the_pull_up():
    """A step up to a load whose control voltage cannot be reached ends nowhere."""
    text = FLYBACK.replace('network = "type II"', 'network = "type II"\nR1 = "3.3 kohm"\nC1 = "47 nF"\nC2 = "1 nF"')
    keys = PULLED.format(supply=1.39, least=0.2)
    case = parse_case(text.replace('reference = "2.5 V"\n', 'reference = "2.5 V"\n' + keys), "flyback.toml")
    top = 1.39 - 0.2e-3 * 4.7e3
    study = step(case, cycles=60)
    forward = study.of("load")
    assert len(forward) == 3
    for made in forward:
        # the clamp that stands for the range has a millivolt of its own
        assert top - 1e-9 < float(made.run.control.max()) < top + 2e-3
        assert not made.stable
        assert made.output_voltage_v[-1] < made.output_before_v
