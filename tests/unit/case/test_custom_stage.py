"""Stages written down element by element: the same numbers as the named ones, keys by element, faults that name it."""

import json
import tomllib
from pathlib import Path

import pytest
from customcase import as_custom

import loopdesign as ld
from loopdesign.case import parse_case, template
from loopdesign.case.vary import read_values, unit_at, with_values
from loopdesign.corners.converters import topology_of
from loopdesign.corners.custom.listing import stage_elements
from loopdesign.corners.tolerances import toleranced
from loopdesign.errors import CaseError, DataError
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.report.loop.answer import answer

BIPOLAR = Path(__file__).parents[3] / "cases" / "current_profiler_bipolar.toml"
TEXT = BIPOLAR.read_text(encoding="utf-8")


def complete(name):
    """The template of a topology with its network's parts fitted."""
    text = template(name)
    for part in ("R1", "C1", "C2"):
        text = text.replace(f"# {part} =", f"{part} =")
    further = '\nR2 = "1 kohm"\nC3 = "3.3 nF"' if TOPOLOGIES[name].example.scheme == "voltage" else ""
    return text.replace('C2 = "150 pF"', f'C2 = "150 pF"{further}')


@pytest.mark.parametrize("name", TOPOLOGIES)
def test_named_topology_written_as_custom_gives_the_same_numbers_to_the_last_digit(name):
    text = complete(name)
    named, own = (ld.check(parse_case(t, "x.toml"), nominal=True) for t in (text, as_custom(text)))
    assert [c.to_dict() for c in own.corners] == [c.to_dict() for c in named.corners]
    assert own.stage.converter.topology.name == "custom"


def test_synchronous_and_toleranced_twin_gives_the_same_worst_ends_and_steps():
    text = complete("boost").replace('rectifier = "diode"', 'rectifier = "synchronous"')
    named, own = (parse_case(t, "x.toml") for t in (text, as_custom(text)))
    first, second = (json.dumps(answer(ld.check(c)) | {"topology": "", "limits": []}) for c in (named, own))
    assert first == second
    first, second = (ld.step(c, cycles=40).corners for c in (named, own))
    assert [s.peak_deviation_v for s in first] == [s.peak_deviation_v for s in second]


def test_values_are_found_by_the_name_of_their_element():
    case = ld.load_case(BIPOLAR)
    document = tomllib.loads(TEXT)
    assert read_values(document, "stage.Cs2.capacitance", ["3.3 uF"]) == (3.3e-6,)
    assert (unit_at(document, "stage.Cs2.capacitance"), unit_at(document, "stage.Rd2.resistance")) == ("F", "ohm")
    changed = with_values(document, {"stage.Cs2.capacitance": 3.3e-6}, TEXT, "x.toml")
    assert changed.stage.capacitors["Cs2"].capacitance == 3.3e-6
    lines = TEXT.split("\n")
    assert 'name = "Cs2"' in lines[case.place("stage.Cs2.capacitance")[0] - 1]
    with pytest.raises(DataError, match="does not name a quantity"):
        read_values(document, "stage.Cs9.capacitance", ["3.3 uF"])


def test_elements_are_listed_with_nodes_and_values():
    listed = {e.name: e for e in stage_elements(ld.load_case(BIPOLAR))}
    assert listed["L1"].nodes == ("supply", "a")
    assert listed["D2"].value == "drop 450 mV, 25.0 mΩ"
    assert listed["minus"].kind == "load"
    assert stage_elements(ld.load_case(BIPOLAR.parent / "beacon_boost.toml")) == ()


def test_rectifier_that_never_conducts_is_named_with_its_line():
    extra = '  { kind = "rectifier", name = "D9", between = ["0", "out"], drop = "0.45 V" },\n]\noutputs'
    case = parse_case(TEXT.replace("]\noutputs", extra), "x.toml")
    with pytest.raises(CaseError, match=r"x\.toml:\d+:\d+: stage\.D9: D9 never conducts"):
        topology_of(case)


def test_template_of_a_custom_stage_loads():
    case = parse_case(template("custom"), "x.toml")
    assert case.converter.topology == "custom"
    assert case.warnings == ()


def test_coupled_inductors_share_a_core_and_a_further_load_is_a_cause():
    names = [v.name for v in toleranced(ld.load_case(BIPOLAR))]
    assert "minus.current" in names
    text = as_custom(complete("sepic")).replace("coefficient = 0.0", "coefficient = 0.9")
    assert "core.inductance" in [v.name for v in toleranced(parse_case(text, "x.toml"))]


def test_output_impedance_asks_for_an_output_that_is_there():
    with pytest.raises(DataError, match="output"):
        ld.response(BIPOLAR, "output-impedance", frequencies_hz=[1e3], output="plus")
    with pytest.raises(DataError, match="one output only"):
        ld.response(
            BIPOLAR.parent / "beacon_boost.toml",
            "output-impedance",
            frequencies_hz=[1e3],
            output="plus",
            open_loop=True,
        )
