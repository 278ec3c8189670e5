"""The output characteristic of a converter whose losses, and not its controller, end regulation."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.analysis.regimes.overload import fold
from loopdesign.analysis.regimes.overload.ceiling import Ceiling
from loopdesign.analysis.regimes.overload.curve import overload_curves
from loopdesign.corners.converters import line_load_corners, open_loop
from loopdesign.orbit.holding import Bounds
from loopdesign.orbit.search import duty

BEACON = Path(__file__).parents[3] / "cases" / "beacon_boost.toml"
LINE, COIL, SWITCH, DIODE, DROP = 12.0, 1.0, 0.016, 0.014, 0.42


@pytest.fixture(scope="module")
def lossy(tmp_path_factory):
    """A boost with an ohm in its inductor, its current limit far above what it draws."""
    text = re.sub(r"\[input_filter\][\s\S]*?(?=\n\[modulator)", "", BEACON.read_text(encoding="utf-8"))
    text = re.sub(r"input_voltage = .*", 'input_voltage = ["12 V"]', text)
    text = re.sub(r"output_current = .*", 'output_current = ["0.5 A"]', text)
    text = text.replace('resistance = "32 mohm"', 'resistance = "1 ohm"')
    path = tmp_path_factory.mktemp("fold") / "lossy.toml"
    path.write_text(re.sub("load_step = .*", "", text), encoding="utf-8")
    case = ld.load_case(path)
    stage = open_loop(case, line_load_corners(case)).plain()
    return Ceiling(converter=stage, bounds=Bounds(current_limit=2.0))


def overload(ceiling):
    largest, at = ceiling.largest_load(0.5)
    return overload_curves(ceiling, np.array([0]), largest, at, 0.5)[0]


@pytest.fixture(scope="module")
def curve(lossy):
    return overload(lossy)


def lossy_boost(on, ohm):
    """Volt-seconds of the inductor in continuous conduction with losses, ripple left out; derived."""
    off = 1.0 - on
    return (LINE - off * DROP) / (off + (COIL + on * SWITCH + off * DIODE) / (off * ohm))


def test_the_largest_load_is_that_of_the_fold(curve):
    """The smallest resistor at which any duty still gives 24 V."""
    on = np.linspace(0.5, 0.9, 4001)
    reached = [ohm for ohm in np.linspace(10.0, 30.0, 2001) if lossy_boost(on, ohm).max() >= 24.0]
    assert curve.largest_load_a == pytest.approx(24.0 / min(reached), rel=0.01)
    assert curve.reason.startswith("losses end regulation at a duty of 0.75")


def test_the_duty_there_is_that_of_the_highest_output(lossy, curve):
    """Highest by scanning; a load a millionth less is regulated at a duty a thousandth less."""
    at = open_duty(lossy, curve.largest_load_a)
    assert lossy.largest_load(0.5)[1][0] == pytest.approx(at, abs=2e-5)


def open_duty(ceiling, load):
    """Duty of the highest output at a load, of 400 orbits around where it is."""
    on = np.linspace(0.752, 0.757, 401)
    everyone = np.zeros(len(on), int)
    return on[np.argmax(ceiling.orbits(everyone, np.full(len(on), load), on).output)]


def test_a_largest_duty_just_below_the_fold_ends_regulation(lossy, curve):
    """Not losses: more duty would bring more output, and the clock gives no more."""
    bound = replace(lossy, converter=replace(lossy.converter, max_duty=0.752))
    assert overload(bound).reason.startswith("followed into a short")
    assert overload(bound).largest_load_a < curve.largest_load_a


def test_arithmetic_that_breaks_down_at_a_fold_leaves_the_other_way(lossy, curve, monkeypatch):
    def breaks(*_):
        raise np.linalg.LinAlgError

    monkeypatch.setattr(fold, "scan_duty", breaks)
    assert overload(lossy).largest_load_a == pytest.approx(curve.largest_load_a, rel=1e-5)


def test_beyond_it_the_duty_is_the_largest(curve):
    """An error amplifier that asks for more gets the largest duty, at which the output is less: at once, and into a short."""
    first = curve.points[0]
    assert first.output_voltage_v == pytest.approx(lossy_boost(0.9, 24.0 / curve.largest_load_a), rel=0.01)
    assert first.output_current_a < curve.largest_load_a
    assert curve.folds_back
    for point in curve.points:
        assert (point.ended, point.duty) == ("largest duty", pytest.approx(0.9))
        ohm = point.output_voltage_v / point.output_current_a
        assert point.output_voltage_v == pytest.approx(lossy_boost(0.9, ohm), rel=0.02)


def test_the_work_for_many_folds_is_that_of_few(tmp_path, monkeypatch):
    """Twelve lines at once, each with its fold: duty is scanned for all of them together, a few times."""
    lines = ", ".join(f'"{v:.2f} V"' for v in np.linspace(11.0, 13.0, 12))
    text = re.sub(r"\[input_filter\][\s\S]*?(?=\n\[modulator)", "", BEACON.read_text(encoding="utf-8"))
    text = re.sub(r"input_voltage = .*", f"input_voltage = [{lines}]", text)
    text = re.sub(r"output_current = .*", 'output_current = ["0.5 A"]', text)
    path = tmp_path / "lossy.toml"
    path.write_text(
        re.sub("load_step = .*", "", text.replace('resistance = "32 mohm"', 'resistance = "1 ohm"')), encoding="utf-8"
    )
    case = ld.load_case(path)
    stage = open_loop(case, line_load_corners(case)).plain()
    scanned = []
    for module in (duty, fold):
        plain = module.scan_duty
        monkeypatch.setattr(module, "scan_duty", lambda *a, plain=plain: scanned.append(1) or plain(*a))
    largest, at = Ceiling(converter=stage, bounds=Bounds(current_limit=2.0)).largest_load(0.5)
    assert 0 < len(scanned) < 40
    assert largest[0] < largest[-1]
    for line, load, on in zip(np.linspace(11.0, 13.0, 12), largest, at, strict=True):
        off = np.linspace(0.1, 0.5, 2001)  # 24 V over the duties, by the same volt-seconds solved for the resistor
        loop = COIL + (1.0 - off) * SWITCH + off * DIODE
        current = 24.0 * off / loop * ((line - off * DROP) / 24.0 - off)
        assert load == pytest.approx(current.max(), rel=0.01)
        assert on == pytest.approx(1.0 - off[np.argmax(current)], abs=0.02)
