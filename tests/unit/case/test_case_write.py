"""Case files to begin from, parts written back, and the JSON Schema."""

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from wholecase import PLAIN, SEPIC, change

from loopdesign.case import STAGES, OneInductorStage, VoltageModeSection, json_schema, parse_case, template, write_parts
from loopdesign.errors import DataError

CASES = Path(__file__).parents[3] / "cases"


@pytest.mark.parametrize("topology", list(STAGES))
def test_template_loads_as_it_stands(topology):
    case = parse_case(template(topology), topology)
    assert case.converter.topology == topology
    assert case.warnings == ()
    assert case.compensation.open_parts == tuple(case.compensation.parts)
    assert "invented" in template(topology)
    assert type(case.stage) is STAGES[topology]
    assert isinstance(case.modulator, VoltageModeSection) == (topology == "buck")


def test_one_inductor_topologies_share_a_stage():
    assert {name for name, model in STAGES.items() if model is OneInductorStage} == {"boost", "buck", "inverting"}


def test_template_of_unknown_topology():
    with pytest.raises(DataError, match=r'unknown topology "sepik".*did you mean sepic'):
        template("sepik")


def test_parts_are_written_back_with_comments_kept():
    chosen = {"R1": 12100.0, "C2": 0.0, "modulator.slope": 41e3, "divider.upper": 115e3, "stage.damper.resistance": 3.3}
    text = write_parts(SEPIC, chosen)
    case = parse_case(text, "x.toml")
    assert (case.compensation.R1, case.compensation.C2) == (12100.0, 0.0)
    assert (case.modulator.slope, case.divider.upper, case.stage.damper.resistance) == (41e3, 115e3, 3.3)
    assert 'R1 = "12.1 kohm"         # the zero' in text
    assert 'C2 = "none"' in text
    assert "# keep" in text


def test_parts_are_written_into_missing_tables():
    text = write_parts(change(template("sepic"), ("damper = {", "# damper = {")), {"C1": 4.7e-9})
    assert parse_case(text, "x.toml").compensation.C1 == 4.7e-9
    amplifier = "[error_amplifier]\nkind = 'transconductance'\ngm = 1e-3\noutput_resistance = 1e6\nreference = 1.2\n"
    text = write_parts(PLAIN + amplifier + "[divider]\nlower = 1e4\n", {"R1": 10e3})
    assert parse_case(text, "x.toml").compensation.R1 == 10e3


@pytest.mark.parametrize("name", ["R9", "title", "stage.L7.inductance", "converter.topology", "colour.depth"])
def test_only_quantities_are_written(name):
    with pytest.raises(DataError, match="is not a part that can be written"):
        write_parts(SEPIC, {name: 1.0})


def test_schema_describes_quantities_and_stages():
    schema = json.loads(json.dumps(json_schema()))
    assert set(schema["required"]) == {"title", "converter", "specification", "stage", "modulator"}
    assert "source" not in schema["properties"]
    inductance = schema["$defs"]["InductorEntry"]["properties"]["inductance"]
    assert inductance["anyOf"] == [{"type": "string"}, {"type": "number", "exclusiveMinimum": 0}]
    assert {rule["then"]["properties"]["stage"]["$ref"].split("/")[-1] for rule in schema["allOf"]} <= set(
        schema["$defs"]
    )
    assert "from" in schema["$defs"]["LoadStep"]["properties"]


def test_list_is_no_way_to_a_part():
    with pytest.raises(DataError, match="is not a part that can be written"):
        write_parts(change(PLAIN, ("Co = {", "Co = [{"), ("0.018 }", "0.018 }]")), {"stage.Co.esr": 0.02})


def test_parts_of_a_bank_and_elements_are_written_by_their_names():
    """Such as a fit refines: the second capacitor of a bank, in one line or in tables of its own, and an element."""
    bank = (CASES / "tide_gauge_sepic.toml").read_text(encoding="utf-8")
    case = parse_case(write_parts(bank, {"stage.Co1.capacitance": 128e-6, "stage.Co2.esr": 4e-3}), "x.toml")
    assert [(c.capacitance, c.esr) for c in case.stage.Co] == [(128e-6, 15e-3), (10e-6, 4e-3)]
    tables = re.sub(r"Co = \[[\s\S]*?\n\]\n", "", bank).replace(
        "[modulator]",
        "[[stage.Co]]\ncapacitance = 1e-4\nesr = 0.01\n[[stage.Co]]\ncapacitance = 2e-5\nesr = 0.02\n[modulator]",
    )
    case = parse_case(write_parts(tables, {"stage.Co2.capacitance": 22e-6}), "x.toml")
    assert [c.capacitance for c in case.stage.Co] == [1e-4, 22e-6]
    elements = (CASES / "mooring_head_flyback.toml").read_text(encoding="utf-8")
    written = write_parts(elements, {"stage.Co.capacitance": 330e-6})
    by_name = {e.name: e for e in parse_case(written, "x.toml").stage.elements}
    assert by_name["Co"].capacitance == 330e-6
    assert sum(a != b for a, b in zip(elements.splitlines(), written.splitlines(), strict=True)) == 1


def test_import_loads_nothing_heavy():
    code = "import sys, loopdesign.case; print([m for m in ('numpy', 'scipy', 'tomlkit', 'matplotlib') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
