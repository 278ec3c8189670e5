"""Case files to begin from, parts written back, and the JSON Schema."""

import json
import subprocess
import sys

import pytest

from loopdesign.case import STAGES, OneInductorStage, VoltageMode, json_schema, parse_case, template, write_parts
from loopdesign.errors import DataError

SEPIC = """\
title = "Tide-gauge logger supply"
notes = "free text"

[converter]
topology = "sepic"
switching_frequency = "330 kHz"
rectifier = "diode"

[specification]
input_voltage  = { min = "8 V", nominal = "13 V", max = "30 V" }
output_voltage = "15 V"
output_current = { min = "0.1 A", max = "1.5 A" }
load = "resistive"
load_step = { from = "0.5 A", to = "1.5 A" }

[stage]
L1 = { inductance = "33 uH", resistance = "45 mohm", tolerance = "20 %" }
L2 = { inductance = "33 uH", resistance = "45 mohm", tolerance = "20 %" }
coupling = 0.0
Cs = { capacitance = "6.8 uF", esr = "4 mohm", tolerance = "10 %", bias_curve = [["0 V", 1.0], ["16 V", 0.8], ["35 V", 0.45]] }
damper = { resistance = "2.7 ohm", capacitance = "33 uF" }
Co = { capacitance = "120 uF", esr = "15 mohm", tolerance = "20 %" }
switch = { resistance = "18 mohm" }
diode  = { drop = "0.45 V", resistance = "15 mohm" }

[input_filter]
L = { inductance = "4.7 uH", resistance = "20 mohm" }
C = { capacitance = "10 uF", esr = "3 mohm" }
damper = { resistance = "1 ohm", capacitance = "47 uF" }
source = { resistance = "0 ohm", inductance = "0 H" }

[modulator]
scheme = "peak current"
sense_gain = "60 mV/A"
slope = "40 mV/us"
max_duty = 0.9

[error_amplifier]
kind = "transconductance"
gm = "1 mS"
output_resistance = "2 Mohm"
reference = "1.2 V"

[divider]
lower = "10 kohm"      # keep

[compensation]
network = "type II"
R1 = "12 kohm"         # the zero
C1 = "10 nF"
C2 = "150 pF"

[targets]
phase_margin = "55 deg"
gain_margin = "10 dB"
modulus_margin = 0.5
crossover = "auto"
crossover_limit = "auto"
resistor_series = "E96"
capacitor_series = "E12"
"""

PLAIN = """\
title = "plain numbers"
[converter]
topology = "flyback"
switching_frequency = 130000.0
rectifier = "diode"
[specification]
input_voltage = [48.0]
output_voltage = 12.0
output_current = [0.2]
[stage]
L1 = { inductance = 6e-05, resistance = 0.06 }
turns = 0.35
secondary_resistance = 0.012
Co = { capacitance = 0.00047, esr = 0.018 }
switch = { resistance = 0.09 }
diode = { drop = 0.5, resistance = 0.01 }
[modulator]
scheme = "peak current"
sense_gain = 0.12
slope = 40000.0
max_duty = 0.97
"""


def change(text, *pairs):
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new)
    return text


@pytest.mark.parametrize("topology", list(STAGES))
def test_template_loads_as_it_stands(topology):
    case = parse_case(template(topology), topology)
    assert case.converter.topology == topology
    assert case.warnings == ()
    assert case.compensation.open_parts == tuple(case.compensation.parts)
    assert "invented" in template(topology)
    assert type(case.stage) is STAGES[topology]
    assert isinstance(case.modulator, VoltageMode) == (topology == "buck")


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
    with pytest.raises(DataError, match="is no part that can be written"):
        write_parts(SEPIC, {name: 1.0})


def test_schema_describes_quantities_and_stages():
    schema = json.loads(json.dumps(json_schema()))
    assert set(schema["required"]) == {"title", "converter", "specification", "stage", "modulator"}
    assert "source" not in schema["properties"]
    inductance = schema["$defs"]["Inductor"]["properties"]["inductance"]
    assert inductance["anyOf"] == [{"type": "string"}, {"type": "number", "exclusiveMinimum": 0}]
    assert {rule["then"]["properties"]["stage"]["$ref"].split("/")[-1] for rule in schema["allOf"]} <= set(
        schema["$defs"]
    )
    assert "from" in schema["$defs"]["LoadStep"]["properties"]


def test_list_is_no_way_to_a_part():
    with pytest.raises(DataError, match="does not lead through tables"):
        write_parts(change(PLAIN, ("Co = {", "Co = [{"), ("0.018 }", "0.018 }]")), {"stage.Co.esr": 0.02})


def test_import_loads_nothing_heavy():
    code = "import sys, loopdesign.case; print([m for m in ('numpy', 'scipy', 'tomlkit', 'matplotlib') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
