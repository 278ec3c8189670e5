"""What is left out, taken out and said; keys of a fit. Responses are the exact model's own, changed on purpose."""

import json

import numpy as np
import pytest

import loopdesign as ld
from loopdesign.bench.board import board_of
from loopdesign.bench.compare import in_noise_floor, thinned
from loopdesign.bench.words import board_sentence
from loopdesign.case import write_parts
from loopdesign.cli import main

CASE = "cases/tide_gauge_sepic_undamped.toml"
CLAMP = 'reference = "1.2 V"\nclamp = { max = "0.2 V" }'
"""Less than the tide gauge needs at 13 V and full load: no disturbance grows, and the controller cannot stay there."""


@pytest.fixture(scope="module")
def case(request):
    return ld.load_case(request.config.rootpath / CASE)


@pytest.fixture(scope="module")
def loop(case):
    hz = np.geomspace(100.0, 100e3, 60)
    found = ld.response(case, "loop", frequencies_hz=hz, input_voltage="30 V", load_current="0.5 A")
    return hz, found.values


def written(tmp_path, hz, values, above=()):
    rows = [f"{f:.9g},{v.real:.9g},{v.imag:.9g}" for f, v in zip(hz, values, strict=True)]
    path = tmp_path / "board.csv"
    path.write_text("\n".join([*above, "Frequency (Hz),Real,Imaginary", *rows]), encoding="utf-8")
    return path


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_words_of_the_file_say_where(case, loop, tmp_path, sign):
    path = written(tmp_path, loop[0], sign * loop[1], ["Vin: 30 V", "Load current = 500 mA"])
    found = ld.bench(case, path)
    assert (found.point.input_voltage, found.point.load_current) == (30.0, 0.5)
    assert found.point.voltage_is == found.point.current_is == "from the file"
    assert found.inversion_removed == (sign < 0.0)
    assert found.difference.rms_db < 1e-6
    other = ld.bench(case, path, input_voltage="13 V")
    assert (other.point.input_voltage, other.point.voltage_is) == (13.0, "given")


def test_what_lies_beyond_half_the_clock_is_left_out(case, loop, tmp_path):
    half = 0.5 * case.converter.switching_frequency
    hz, values = np.append(loop[0], [1.01 * half, 2.0 * half]), np.append(loop[1], [1e-3, 1e-3])
    found = ld.bench(case, written(tmp_path, hz, values), input_voltage=30.0, load_current=0.5)
    assert found.points == 60
    assert [(d.row, d.reason) for d in found.dropped] == [(k, "beyond half the switching frequency") for k in (62, 63)]


def test_noise_floor_is_left_out_and_a_clean_curve_is_not():
    hz = np.geomspace(100.0, 1e5, 200)
    clean = 1e3 / (1j * hz)
    rng = np.random.default_rng(3)
    noise = 0.02 * (rng.normal(size=200) + 1j * rng.normal(size=200))
    assert not in_noise_floor(clean, clean, loop=True).any()
    floor = in_noise_floor(clean + noise, clean, loop=True)
    assert not floor[hz < 5e3].any()
    assert floor[hz > 6e4].mean() > 0.8


def test_thinning_keeps_the_curve():
    hz = np.geomspace(10.0, 1e5, 30_000)
    curve = 1e3 / (1j * hz)
    few, measured, reference = thinned(hz, 2.0 * curve, curve, 300)
    assert len(few) == 300
    np.testing.assert_allclose(measured, 2.0 * reference, rtol=1e-9)
    assert np.all(np.diff(few) > 0.0)


def test_gain_put_in_comes_back_as_transconductance(case, loop, tmp_path):
    path = written(tmp_path, loop[0], 1.2 * loop[1])
    found = ld.bench(case, path, input_voltage=30.0, load_current=0.5, fit=["error_amplifier.gm"])
    assert found.fit.parts["error_amplifier.gm"].value == pytest.approx(1.2 * case.error_amplifier.gm, rel=0.02)


@pytest.mark.parametrize(
    ("keys", "told"),
    [
        (["stage.Cs.esrr"], r"esrr.*did you mean stage\.Cs\.esr"),
        (["esr"], r"may mean stage\.Co1\.esr or stage\.Co2\.esr or stage\.Cs\.esr"),
        (["stage.Cs.esr", "Cs.esr"], "stands twice"),
        (["targets.phase_margin"], "not a value of this case"),
    ],
)
def test_unknown_keys_are_told_the_near_ones(case, loop, tmp_path, keys, told):
    with pytest.raises(ld.DataError, match=told):
        ld.bench(case, written(tmp_path, *loop), fit=keys)


def test_a_point_that_the_clamp_does_not_allow_is_called_not_held_and_nothing_grows(request, tmp_path, capsys):
    """Every place where the verdict of the point is said, the note beside the JSON object and the figure among them."""
    text = (request.config.rootpath / "cases/tide_gauge_sepic.toml").read_text(encoding="utf-8")
    parts = {"R1": 4320.0, "C1": 1e-7, "C2": 4.7e-9}
    path = tmp_path / "clamped.toml"
    path.write_text(write_parts(text, parts).replace('reference = "1.2 V"', CLAMP), encoding="utf-8")
    hz = np.geomspace(100.0, 100e3, 30)
    found = ld.response(ld.load_case(path), "loop", frequencies_hz=hz)
    assert found.held == "clamp"
    assert found.worst_mode.stable
    data = written(tmp_path, hz, found.values)
    assert main(["bench", str(path), str(data), "--json"]) == 0
    out, err = capsys.readouterr()
    assert isinstance(json.loads(out), dict)
    assert "NOT HELD (clamp): the controller does not stay" in " ".join(err.split())
    assert main(["bench", str(path), str(data)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "The model with nominal parts is NOT HELD (clamp) at" in out
    assert "NOT HELD (clamp): the controller does not stay" in out
    held = ld.bench(path, data)
    assert not held.stable
    labels = [line.get_label() for ax in held.plot().axes for line in ax.lines]
    assert "predicted (NOT HELD (clamp))" in labels
    board = board_of(held.case, {})
    assert "does not stay at every operating point" in board_sentence(board, moved=False)
    for told in (out, err, *labels, board_sentence(board, moved=False)):
        assert "UNSTABLE" not in told
        assert "disturbance" not in told
