"""The case file: what a valid one holds, where its keys stand, and writing parts back."""

import tomllib

import pytest
from pydantic import ValidationError
from wholecase import PLAIN, SEPIC, change

from loopdesign.case import (
    STAGES,
    FlybackStage,
    Levels,
    PeakCurrentSection,
    ShuntOptocouplerSection,
    TransconductanceSection,
    TwoInductorStage,
    load_case,
    parse_case,
    template,
)
from loopdesign.case.checks.duty import discontinuous_duty, lossless_load
from loopdesign.case.locate import locate, place_of
from loopdesign.errors import CaseError
from loopdesign.network.topologies import TOPOLOGIES


def test_whole_case_in_si_units():
    case = parse_case(SEPIC, "logger.toml")
    assert (case.title, case.notes, case.source, case.warnings) == (
        "Tide-gauge logger supply",
        "free text",
        "logger.toml",
        (),
    )
    assert (case.converter.topology, case.converter.switching_frequency) == ("sepic", 330e3)
    assert case.specification.input_voltage == Levels(values=(8.0, 13.0, 30.0), nominal=13.0)
    assert case.specification.output_current.values == (0.1, 1.5)
    assert (case.specification.output_current.lowest, case.specification.output_current.highest) == (0.1, 1.5)
    assert (case.specification.load_step.from_, case.specification.load_step.to) == (0.5, 1.5)
    assert isinstance(case.stage, TwoInductorStage)
    assert case.stage.Cs.bias_curve == ((0.0, 1.0), (16.0, 0.8), (35.0, 0.45))
    assert case.stage.Co[0].capacitance == 120e-6
    assert case.stage.damper.resistance == 2.7
    assert case.input_filter.damper.capacitance == 47e-6
    assert case.input_filter.source.inductance == 0.0
    assert isinstance(case.modulator, PeakCurrentSection)
    assert case.modulator.slope == 40e3
    assert isinstance(case.error_amplifier, TransconductanceSection)
    assert case.divider.upper is None
    assert case.compensation.parts == {"R1": 12e3, "C1": 10e-9, "C2": 150e-12}
    assert case.compensation.open_parts == ()
    assert case.targets.crossover is None
    assert "settling_band" not in case.targets.given
    assert "phase_margin" in case.targets.given
    assert case.nominal_temperature == 25.0


def test_plain_numbers_and_defaults():
    case = parse_case(PLAIN, "plain.toml")
    assert isinstance(case.stage, FlybackStage)
    assert case.stage.turns == 0.35
    assert case.stage.L1.inductance == 6e-5
    assert case.error_amplifier is None
    assert case.divider is None
    assert case.compensation is None
    assert case.targets.given == frozenset()
    assert case.targets.phase_margin == 55.0
    assert case.specification.load == "resistive"


def test_case_is_frozen():
    case = parse_case(PLAIN, "plain.toml")
    with pytest.raises(ValidationError, match="frozen"):
        case.title = "other"


def test_load_case_names_its_file(tmp_path):
    path = tmp_path / "plain.toml"
    path.write_text(PLAIN, encoding="utf-8")
    assert load_case(path).source == str(path)


@pytest.mark.parametrize(
    ("given", "values", "nominal"),
    [
        ('["9 V", "12 V", "16 V"]', (9.0, 12.0, 16.0), 12.0),
        ('{ min = "9 V", max = "16 V" }', (9.0, 12.5, 16.0), 12.5),
        ('{ min = "12 V", nominal = "12 V", max = "16 V" }', (12.0, 16.0), 12.0),
        ('{ min = "9.1 V", max = "16.2 V" }', (9.1, 12.65, 16.2), 12.65),  # halfway, and no digit more
        ("{ min = 12.34567890123456, max = 12.34567890123456 }", (12.34567890123456,), 12.34567890123456),
        ('"12 V"', (12.0,), 12.0),
    ],
)
def test_forms_of_the_input_voltage(given, values, nominal):
    case = parse_case(change(PLAIN, ("[48.0]", given)), "x.toml")
    assert case.specification.input_voltage == Levels(values=values, nominal=nominal)


@pytest.mark.parametrize(
    ("given", "values", "nominal"),
    [
        ("{ min = -40, nominal = 30, max = 85 }", (-40.0, 30.0, 85.0), 30.0),
        ("{ min = -40, max = 85 }", (-40.0, 25.0, 85.0), 25.0),
        ("{ min = 40, max = 85 }", (40.0, 85.0), 40.0),
        ('"60 degC"', (60.0,), 60.0),
    ],
)
def test_forms_of_the_temperature(given, values, nominal):
    case = parse_case(change(PLAIN, ("[stage]", f"temperature = {given}\n[stage]")), "x.toml")
    assert case.specification.temperature == Levels(values=values, nominal=nominal)
    assert case.nominal_temperature == nominal


def test_bank_of_capacitors_and_tables_of_arrays():
    bank = change(PLAIN, ("Co = { capacitance = 0.00047, esr = 0.018 }\n", ""))
    bank += (
        '[[stage.Co]]\ncapacitance = "100 uF"\nlot = "A"\n[[stage.Co]]\ncapacitance = "22 uF"\nesr_tolerance = "50 %"\n'
    )
    case = parse_case(bank, "x.toml")
    assert [(part.capacitance, part.lot) for part in case.stage.Co] == [(100e-6, "A"), (22e-6, None)]
    with pytest.raises(CaseError, match=r"x\.toml:25:1: stage\.Co\.1\.capacitance: is an inductance"):
        parse_case(bank.replace("22 uF", "22 uH"), "x.toml")


def test_parts_open_fitted_and_not_fitted():
    case = parse_case(change(SEPIC, ('C2 = "150 pF"', 'C2 = "none"'), ('C1 = "10 nF"\n', "")), "x.toml")
    assert case.compensation.parts == {"R1": 12e3, "C1": None, "C2": 0.0}
    assert case.compensation.open_parts == ("C1",)
    assert (case.compensation.R2, case.compensation.C3) == (0.0, 0.0)


def test_synchronous_rectifier_needs_no_diode_and_may_run_without_load():
    text = change(
        PLAIN, ('"diode"', '"synchronous"'), ("diode = { drop = 0.5, resistance = 0.01 }\n", ""), ("[0.2]", "[0]")
    )
    assert parse_case(text, "x.toml").stage.diode is None


def test_input_filter_with_inductive_damper_and_leakage():
    text = change(
        SEPIC,
        (
            'damper = { resistance = "1 ohm", capacitance = "47 uF" }',
            'damper = { resistance = "1 ohm", inductance = "1 uH" }',
        ),
        ('source = { resistance = "0 ohm", inductance = "0 H" }', 'choke_leakage = { inductance = "100 nH" }'),
    )
    case = parse_case(text, "x.toml")
    assert (case.input_filter.damper.inductance, case.input_filter.damper.capacitance) == (1e-6, None)
    assert case.input_filter.choke_leakage.inductance == 100e-9
    assert case.input_filter.source.resistance == 0.0


def test_shunt_optocoupler():
    amplifier = """
[error_amplifier]
kind = "shunt optocoupler"
reference = "2.5 V"
transfer_ratio = "100 %"
transfer_ratio_min = 0.8
transfer_ratio_max = "160 %"
bandwidth = "30 kHz"
pull_up = "4.7 kohm"
led_resistance = "1 kohm"
[divider]
lower = "10 kohm"
"""
    case = parse_case(PLAIN + amplifier, "x.toml")
    assert isinstance(case.error_amplifier, ShuntOptocouplerSection)
    assert (case.error_amplifier.transfer_ratio, case.error_amplifier.transfer_ratio_max) == (1.0, 1.6)
    assert (case.error_amplifier.dc_gain, case.error_amplifier.gain_bandwidth) == (60.0, 1e6)


def test_open_slope():
    assert parse_case(change(PLAIN, ("slope = 40000.0\n", "")), "x.toml").modulator.slope is None


WARNED = [
    (('to = "1.5 A"', 'to = "2 A"'), "specification.load_step: 2.00 A lies outside the range of output_current"),
    (
        ('load = "res', 'line_step = { from = "6 V", to = "9 V" }\nload = "res'),
        "specification.line_step: 6.00 V lies outside",
    ),
    (
        ('lower = "10 kohm"', 'lower = "10 kohm"\nupper = "100 kohm"'),
        "divider.upper: the divider sets 13.20 V, the specified",
    ),
    (("max_duty = 0.9", 'max_duty = 0.9\nmin_on_time = "2 us"'), "modulator.min_on_time: at 30.00 V input"),
    (('"120 uF"', '"120 F"'), "stage.Co.capacitance: 120 F is unusually large"),
    (('R1 = "12 kohm"', 'R1 = "12 Gohm"'), "compensation.R1: 12.0 GΩ is unusually large"),
]


@pytest.mark.parametrize(("pair", "message"), WARNED)
def test_odd_yet_allowed(pair, message):
    warned = parse_case(change(SEPIC, pair), "x.toml").warnings
    assert len(warned) == 1
    assert warned[0].startswith(message)


def test_divider_within_two_percent_is_no_warning():
    text = change(SEPIC, ('lower = "10 kohm"', 'lower = "10 kohm"\nupper = "115 kohm"'))
    assert parse_case(text, "x.toml").warnings == ()


@pytest.mark.parametrize(
    ("topology", "line", "output", "turns", "duty"),
    [
        ("sepic", 18.0, 24.0, 1.0, 0.571429),  # EM3 16.2.3 (S1 of SOURCES.md): D = V/(V + Vg)
        ("flyback", 200.0, 20.0, 0.15, 0.4),  # EM3 11.4.2 (B4 of SOURCES.md)
        ("boost", 170.0, 400.0, 1.0, 0.575),  # EM3 18.9.2 (B2 of SOURCES.md)
        ("buck", 30.0, 15.0, 1.0, 0.5),  # EM3 17.3.1 (F1 of SOURCES.md)
    ],
)
def test_ideal_duty(topology, line, output, turns, duty):
    """B3: duties printed in R. W. Erickson, D. Maksimovic, 3rd ed., 2020, to their printed digits."""
    assert TOPOLOGIES[topology].lossless_duty(line, output, turns) == pytest.approx(duty, abs=5e-7)


@pytest.mark.parametrize("topology", ["buck", "boost", "flyback", "sepic"])
def test_discontinuous_duty_balances_the_energy(topology):
    """The power drawn in a cycle of triangular currents, summed interval by interval, is the output power."""
    case = parse_case(
        change(template(topology), ("coupling = 0.0 ", "coupling = 0.3 "))
        if topology == "sepic"
        else template(topology),
        "x",
    )
    line, output = case.specification.input_voltage.lowest, case.specification.output_voltage
    period = 1 / case.converter.switching_frequency
    load = lossless_load(case.converter, case.stage, line, output, case.specification.output_current.highest)
    duty = discontinuous_duty(case.converter, load)
    first = case.stage.L1.inductance
    if topology == "buck":
        peak = (line - output) * duty * period / first
        drawn = line * peak * duty / 2
    elif topology == "boost":
        peak = line * duty * period / first
        drawn = line * peak / 2 * (duty + duty * line / (output - line))
    elif topology == "flyback":
        peak = line * duty * period / first
        drawn = line * peak * duty / 2
    else:  # both windings see the line while the switch conducts: slopes from the inductance matrix
        second = case.stage.L2.inductance
        mutual = 0.3 * (first * second) ** 0.5
        slopes = [line * (second - mutual), line * (first - mutual)]
        peak = sum(slopes) / (first * second - mutual**2) * duty * period
        drawn = line * peak * duty / 2
    assert drawn == pytest.approx(output * case.specification.output_current.highest, rel=1e-12)


def test_duty_limit_spares_a_converter_that_stays_discontinuous():
    """12 V from 48 V at 0.2 A: continuous conduction would need 0.417, discontinuous conduction far less."""
    assert parse_case(change(PLAIN, ("max_duty = 0.97", "max_duty = 0.3")), "x.toml").modulator.max_duty == 0.3
    with pytest.raises(CaseError, match=r"even without losses the flyback needs a duty of 0\.417"):
        parse_case(change(PLAIN, ("max_duty = 0.97", "max_duty = 0.3"), ("[0.2]", "[9]")), "x.toml")


def test_places_of_keys():
    text = 'a = 1 # [no]\n"b c".d = """x\n[t]\n"""\n[t.u]\nv = [1, { w = "]" },\n  3]\n[[t.x]]\ny = {}\n[[t.x]]\n  y = \'#\'\n[t.x.z]\nq=2\n'
    places = locate(text)
    assert places[("a",)] == (1, 1)
    assert places[("b c", "d")] == (2, 7)
    assert places[("t", "u")] == (5, 1)
    assert places[("t", "u", "v", 1, "w")] == (6, 11)
    assert places[("t", "u", "v", 2)] == (7, 3)
    assert places[("t", "x", 0, "y")] == (9, 1)
    assert places[("t", "x", 1, "y")] == (11, 3)
    assert places[("t", "x", 1, "z", "q")] == (13, 1)
    assert place_of(places, ("t", "u", "missing")) == (5, 1)
    assert place_of(places, ("nowhere",)) is None


def test_every_key_of_a_document_has_a_place():
    def paths(value, path=()):
        items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
        for step, inner in items:
            yield (*path, step)
            yield from paths(inner, (*path, step))

    for text in (SEPIC, PLAIN, *(template(topology) for topology in STAGES)):
        assert set(paths(tomllib.loads(text))) == set(locate(text))


@pytest.mark.parametrize(
    ("pair", "message"),
    [
        (("[48.0]", '"12 A"'), r"x\.toml:7:1: specification\.input_voltage: is a current"),
        (
            ("[48.0]", "[12, 13, true]"),
            r"x\.toml:7:\d+: specification\.input_voltage\.2: is not a quantity; found true",
        ),
        (("esr = 0.018", "bias_curve = []"), "bias_curve: has no points"),
        (("esr = 0.018", "bias_curve = 3"), r"stage\.Co\.bias_curve: is not a list; found 3"),
        (("esr = 0.018", "lot = 3"), r"stage\.Co\.lot: is not text; found 3"),
    ],
)
def test_faults_within_one_line(pair, message):
    with pytest.raises(CaseError, match=message):
        parse_case(change(PLAIN, pair), "x.toml")


def test_modulator_that_is_no_table():
    text = PLAIN.split("[modulator]", maxsplit=1)[0]
    with pytest.raises(CaseError, match=r"x\.toml:2:1: modulator: is not a table; found 3"):
        parse_case(text.replace("\n", "\nmodulator = 3\n", 1), "x.toml")


def test_case_knows_where_its_keys_stand():
    """Lines counted by hand in tests/wholecase.py; a key the file lacks has the place of its table."""
    case = parse_case(SEPIC, "supply.toml")
    assert case.where("converter.topology") == "supply.toml:5:1: converter.topology"
    assert case.where("stage.damper.capacitance") == "supply.toml:21:36: stage.damper.capacitance"
    assert case.where("stage.L1.temperature_coefficient") == "supply.toml:17:1: stage.L1.temperature_coefficient"
    assert case.where("ratings.derating") == "supply.toml: ratings.derating"
    assert case.model_copy(update={"title": "x"}).where("title") == "supply.toml:1:1: title"
    assert parse_case("# a line\n" + SEPIC, "supply.toml") == case
    assert parse_case(SEPIC, "a\nb\x1b.toml").where("title") == r"a\x0ab\x1b.toml:1:1: title"
