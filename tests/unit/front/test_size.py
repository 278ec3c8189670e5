"""The smallest parts, against brute force: every combination written out by hand as a case of its own and designed."""

from __future__ import annotations

import io
import json
import tomllib
from contextlib import redirect_stdout
from dataclasses import replace
from itertools import product

import pytest

import loopdesign as ld
from loopdesign.case.write import write_candidates
from loopdesign.cli import main
from loopdesign.explore.combination import Combination
from loopdesign.explore.size import SizeResult, pareto_front
from loopdesign.report.basics.layout import PIPE
from loopdesign.report.explore.size_plot import size_figure
from loopdesign.report.explore.size_text import size_text

STAGE = {"Co": '{ capacitance = "68 uF", esr = "20 mohm" }', "Cs": '{ capacitance = "4.7 uF", esr = "5 mohm" }'}
BANKS = (
    ('capacitance = "22 uF"\nesr = "60 mohm"', 0.2),
    ('capacitance = "68 uF"\nesr = "20 mohm"', 0.4),
    ('capacitance = "68 uF"\nesr = "20 mohm"\ncount = 2', 0.8),
    ('capacitance = "68 uF"\nesr = "22 mohm"', 0.9),
)
"""The first has too much ripple, and the last is dearer than the third and no better: it is to be beaten."""
COUPLING = (('capacitance = "4.7 uF"\nesr = "5 mohm"', 0.1), ('capacitance = "2.2 uF"\nesr = "8 mohm"', 0.3))
TEXT = """\
title = "Salinity-probe supply"
[converter]
topology = "sepic"
switching_frequency = "300 kHz"
[specification]
input_voltage = ["10 V"]
output_voltage = "12 V"
output_current = ["0.8 A"]
load_step = {{ from = "0.4 A", to = "0.8 A" }}
[stage]
L1 = {{ inductance = "33 uH", resistance = "45 mohm" }}
L2 = {{ inductance = "33 uH", resistance = "45 mohm" }}
Cs = {Cs}
damper = {{ resistance = "3.3 ohm", capacitance = "22 uF" }}
Co = {Co}
switch = {{ resistance = "20 mohm" }}
diode = {{ drop = "0.45 V", resistance = "15 mohm" }}
[modulator]
scheme = "peak current"
sense_gain = "60 mV/A"
slope = "40 mV/us"
[error_amplifier]
kind = "transconductance"
gm = "1 mS"
output_resistance = "2 Mohm"
reference = "1.2 V"
[divider]
lower = "10 kohm"
[compensation]
R1 = "1 kohm"
[targets]
step_deviation = "{deviation}"
output_ripple = "100 mV"
resistor_series = "E6"
capacitor_series = "E3"
"""


def text_of(deviation="150 mV", **parts):
    return TEXT.format(deviation=deviation, **{**STAGE, **parts})


def candidates(**lists):
    return "".join(
        f"[[candidates.{part}]]\n{keys}\nprice = {price}\n" for part, some in lists.items() for keys, price in some
    )


class Searched:
    """What the command answers for a list, with the files that it writes; and the same list worked through by hand."""

    def __init__(self, folder, coupling):
        self.path, self.chosen, self.sheet = folder / "probe.toml", folder / "chosen.toml", folder / "size.csv"
        self.path.write_text(text_of() + candidates(Co=BANKS, Cs=coupling), encoding="utf-8")
        out = io.StringIO()
        with redirect_stdout(out):
            words = [
                "size",
                str(self.path),
                "--nominal",
                "--json",
                "--write",
                str(self.chosen),
                "--csv",
                str(self.sheet),
            ]
            self.status = main(words)
        self.told = json.loads(out.getvalue())
        self.by_hand = {}
        for (i, (bank, price)), (j, (other, more)) in product(enumerate(BANKS), enumerate(coupling)):
            file = folder / f"{i}{j}.toml"
            inline = {"Co": "{ " + bank.replace("\n", ", ") + " }", "Cs": "{ " + other.replace("\n", ", ") + " }"}
            file.write_text(text_of(**inline).replace('R1 = "1 kohm"\n', ""), encoding="utf-8")
            self.by_hand[i, j] = round(price + more, 9), *self.designed(file)

    @staticmethod
    def designed(file):
        """Whether every target is met, the step deviation, and the ripple, which any parts show."""
        ripple = (
            ld.check(file, {"R1": "1 kohm", "C1": "22 nF", "C2": "none"}, nominal=True).worst["output_ripple_v"].value
        )
        if ripple > 0.1:
            return False, None, ripple
        check = ld.design(file, nominal=True).check
        return check.targets_met, check.step_deviation.peak_deviation_v, ripple


@pytest.fixture(scope="module", params=[1, pytest.param(2, marks=pytest.mark.nightly)])
def searched(request, tmp_path_factory):
    return Searched(tmp_path_factory.mktemp("size"), COUPLING[: request.param])


def test_every_combination_is_what_a_design_of_its_own_gives(searched):
    points = searched.told["points"]
    assert (searched.status, searched.told["nearest"], searched.told["skipped"]) == (0, None, 0)
    assert searched.told["examined"] == searched.told["combinations"] == len(points) == len(searched.by_hand)
    assert [p["cost"] for p in points] == sorted(cost for cost, *_ in searched.by_hand.values())
    left = dict(searched.by_hand)
    for point in points:
        key = next(
            k for k, (cost, met, _, ripple) in left.items()
            if cost == point["cost"] and ripple == pytest.approx(point["output_ripple_v"], rel=1e-6)
        )  # fmt: skip
        _, met, step, _ = left.pop(key)
        assert point["targets_met"] is met, point
        if met:
            assert point["peak_deviation_v"] == pytest.approx(step, rel=1e-9)


def test_front_is_what_no_other_beats(searched):
    """By definition, pair by pair, over what was designed by hand; the cheapest of it is the answer."""
    met = [(cost, step) for cost, ok, step, _ in searched.by_hand.values() if ok]
    beaten = [a for a in met for b in met if b != a and b[0] <= a[0] and b[1] <= a[1] * (1 + 1e-9)]
    front = [(p["cost"], p["peak_deviation_v"]) for p in (searched.told["points"][k] for k in searched.told["front"])]
    assert front == [pytest.approx(m, rel=1e-9) for m in sorted(met) if m not in beaten]
    assert beaten, "a list in which nothing is beaten judges no front"
    assert 1 < len(front) < len(met) < len(searched.by_hand)
    assert searched.told["smallest"] == searched.told["points"][searched.told["front"][0]]
    assert searched.told["smallest"]["cost"] == min(cost for cost, _ in met)


def test_what_the_stage_alone_fails_gets_no_compensation(searched):
    """The smallest bank's series resistance alone makes more ripple than is allowed: its steps at the edges."""
    alone = [p for p in searched.told["points"] if p["stage_fails"]]
    assert {p["candidates"]["Co"] for p in alone} == {"22.0 \u00b5F, 60.0 m\u03a9"}
    assert all(p["output_ripple_v"] > 0.1 and not p["parts"] and "output ripple" in p["reasons"][0] for p in alone)


def test_written_case_meets_every_target(searched, capsys):
    smallest = searched.told["smallest"]
    examined = ld.check(searched.chosen, nominal=True)
    assert examined.targets_met
    assert examined.step_deviation.peak_deviation_v == pytest.approx(smallest["peak_deviation_v"], rel=1e-9)
    assert len(searched.sheet.read_text().splitlines()) == 1 + len(searched.by_hand)
    assert main(["size", str(searched.path), "--write", str(searched.chosen)]) == 2
    assert "exists already" in capsys.readouterr().err


def result_of(told):
    """The result that an answer was written from, its numbers of candidates left out."""
    rows = [{**p, "names": p["candidates"], "numbers": {}} for p in told["points"]]
    some = [Combination(**{k: v for k, v in p.items() if k != "candidates"}) for p in rows]
    return SizeResult(
        title=told["title"], weighed_by=told["weighed_by"], nominal=True, combinations=told["combinations"],
        points=tuple(some), skipped=0, front=tuple(told["front"]), limits={"step_deviation": 0.15}, stepped=True,
    )  # fmt: skip


def test_text_and_picture(searched):
    found = result_of(searched.told)
    text = " ".join(size_text(found, PIPE).split())
    assert f"the cheapest of {found.combinations} combinations that meets every target is Co 68.0" in text
    assert "the stage alone fails, which no compensation changes" in text
    (ax,) = size_figure(found).axes
    drawn = {line.get_label(): line.get_xydata() for line in ax.get_lines()}
    met = [p for p in searched.told["points"] if p["targets_met"]]
    assert drawn["meets every target"].tolist() == [[p["cost"], p["peak_deviation_v"]] for p in met]


def test_what_was_skipped_leaves_no_front_to_name(searched):
    """A front of some combinations is none: without the others, no row can say that nothing departs less."""
    found = result_of(searched.told)
    some = replace(found, points=found.points[:-1], skipped=1)
    assert "front" in " ".join(size_text(found, PIPE).split())
    told = " ".join(size_text(some, PIPE).split())
    assert "On the front" not in told
    assert "the front is not known" in told


def points(*rows):
    return [
        Combination(numbers={}, names={}, cost=c, peak_deviation_v=d, targets_met=met) for c, d, met in rows
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("rows", "front"),
    [
        ([(1, 3, True), (2, 2, True), (3, 1, True)], (0, 1, 2)),
        ([(1, 3, False), (2, 2, True), (3, 2, True), (3, 1, True)], (1, 3)),
        ([(2, 2, True), (2, 2, True), (2, 1, True), (1, 5, True)], (3, 2)),
        ([(1, None, True), (1, None, True), (2, None, True)], (0, 1)),
        ([(1, 1, False)], ()),
    ],
)
def test_front_of_plain_numbers(rows, front):
    assert pareto_front(points(*rows)) == front


def test_none_that_meets_everything(tmp_path, capsys):
    """One bank, too small for its ripple: exit status 3, the nearest miss told."""
    file = tmp_path / "small.toml"
    file.write_text(text_of() + f"[[candidates.Co]]\n{BANKS[0][0]}\nsize = 12\n", encoding="utf-8")
    assert main(["size", str(file), "--json"]) == 3
    told = json.loads(capsys.readouterr().out)
    assert told["smallest"] is None
    assert told["weighed_by"] == "size"
    assert told["nearest"]["miss"] == pytest.approx(told["nearest"]["output_ripple_v"] / 0.1 - 1.0)
    assert main(["size", str(file)]) == 3
    assert "nearest miss: Co 22.0" in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    ("extra", "told"),
    [
        ("", "there are no candidates to choose from; write [[candidates.Co]]"),
        ("[candidates]\n", "there are no candidates to choose from"),
        (
            "".join(f'[[candidates.Co]]\ncapacitance = "{k} uF"\nprice = {k}\n' for k in range(10, 60))
            + "".join(f'[[candidates.Cs]]\ncapacitance = "{k} uF"\nprice = {k}\n' for k in range(1, 11)),
            "50 x 10 = 500 combinations would take about 1.25 hours",
        ),
    ],
)
def test_what_is_refused(tmp_path, capsys, extra, told):
    file = tmp_path / "probe.toml"
    file.write_text(text_of() + extra, encoding="utf-8")
    assert main(["size", str(file)]) == 2
    assert told in " ".join(capsys.readouterr().err.split())


def test_a_folder_that_cannot_be_replaced_is_refused_before_anything_is_searched(tmp_path, capsys, monkeypatch):
    from loopdesign.front.explore import size as module

    monkeypatch.setattr(module, "size", lambda *_args, **_more: pytest.fail("searched all the same"))
    file, folder = tmp_path / "probe.toml", tmp_path / "mine"
    file.write_text(text_of() + candidates(Co=BANKS), encoding="utf-8")
    folder.write_text("not a folder", encoding="utf-8")
    assert main(["size", str(file), "--output", str(folder)]) == 2
    assert "mine" in capsys.readouterr().err
    assert folder.read_text(encoding="utf-8") == "not a folder"


def test_a_title_is_no_formula(searched):
    figure = size_figure(replace(result_of(searched.told), title="for $5 and $\\nothing$"))
    figure.draw_without_rendering()
    assert figure.get_suptitle().startswith(r"for \$5 and \$")


def test_other_commands_leave_candidates_alone(tmp_path):
    plain, path = tmp_path / "plain.toml", tmp_path / "with.toml"
    path.write_text(text_of() + candidates(Co=BANKS), encoding="utf-8")
    plain.write_text(text_of(), encoding="utf-8")
    parts = {"C1": "22 nF", "C2": "none"}
    with_them, without = (ld.check(p, parts, nominal=True) for p in (path, plain))
    assert with_them.to_rows() == without.to_rows()


def test_candidates_are_written_in_every_notation():
    """A table of its own, an inline table, a list of tables, and a part that was not there."""
    tail = '[[candidates.{0}]]\nresistance = "2 ohm"\ncapacitance = "9 uF"\nprice = 1\nname = "x"\n'
    for stage in (
        "[stage.damper]\nresistance = 1\ncapacitance = 2\n", "[stage]\ndamper = { resistance = 1 }\n",
        "[stage]\nL1 = 3 # kept\n", "[[stage.damper]]\nresistance = 1\n[[stage.damper]]\nresistance = 2\n",
    ):  # fmt: skip
        text = write_candidates(stage + tail.format("damper"), {"damper": 0})
        assert tomllib.loads(text)["stage"]["damper"] == {"resistance": "2 ohm", "capacitance": "9 uF"}
        assert ("# kept" in text) is ("# kept" in stage)


@pytest.mark.nightly
def test_workers_give_the_same_bits_and_python_the_same_answer(tmp_path):
    path = tmp_path / "probe.toml"
    path.write_text(text_of() + candidates(Co=BANKS), encoding="utf-8")
    with ld.Workers(2) as pool:
        shared = ld.size(path, nominal=True, executor=pool)
    alone = ld.size(path, nominal=True, cheapest=True)
    assert shared.smallest.to_dict() == alone.smallest.to_dict()
    assert [p.to_dict() for p in shared.points[: len(alone.points)]] == [p.to_dict() for p in alone.points]


@pytest.mark.nightly
def test_tolerances_and_temperatures_count_as_in_a_check(tmp_path):
    """Everything examined: the smallest, written back and checked by itself, reaches the same."""
    path, written = tmp_path / "probe.toml", tmp_path / "chosen.toml"
    text = text_of().replace("esr =", 'tolerance = "10 %", esr =')
    listed = candidates(Co=BANKS[:2]).replace("price", 'tolerance = "10 %"\nprice')
    path.write_text(text + listed, encoding="utf-8")
    full = ld.size(path)
    assert main(["size", str(path), "--write", str(written)]) == 0
    check = ld.check(written)
    assert check.targets_met
    assert check.examined.tolerance_ends
    assert check.worst["output_ripple_v"].ends
    for name, value in (
        ("phase_margin_deg", full.smallest.phase_margin_deg), ("output_ripple_v", full.smallest.output_ripple_v),
        ("step_deviation_v", full.smallest.peak_deviation_v),
    ):  # fmt: skip
        assert check.worst[name].value == pytest.approx(value, rel=1e-9)
