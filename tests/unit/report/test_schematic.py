"""The schematic: every part of every topology, filter and network is in it with its value, and it repeats byte for byte."""

import re
from html import unescape
from pathlib import Path

import pytest

from loopdesign.case import load_case, parse_case, template
from loopdesign.network.topologies import TOPOLOGIES
from loopdesign.report.content.pictures import png_of
from loopdesign.report.schematic.control import control_picture
from loopdesign.report.schematic.parts import GROUND, sections
from loopdesign.report.schematic.power import ladder, section_picture, section_titles

CASES = Path(__file__).parents[3] / "cases"
PARTS = {"R1": 12.1e3, "C1": 10e-9, "C2": 150e-12, "R2": 470.0, "C3": 2.2e-9}
FILTERS = """
[input_filter]
L = { inductance = "4.7 uH", resistance = "20 mohm" }
C = { capacitance = "10 uF", esr = "3 mohm" }
choke_leakage = { inductance = "0.2 uH" }
damper = { resistance = "1.5 ohm", inductance = "2.2 uH" }
source = { resistance = "0.1 ohm", inductance = "1 uH" }

[output_filter]
L = { inductance = "0.68 uH", resistance = "5 mohm" }
C = { capacitance = "47 uF", esr = "2 mohm" }
damper = { resistance = "0.33 ohm", capacitance = "220 uF" }
"""


def power_pictures(case):
    return [(title, section_picture(case, k)) for k, title in enumerate(section_titles(case))]


def words(svg):
    """Every text of a picture."""
    return [
        unescape(re.sub(r"<[^>]+>", "", t))
        for t in re.findall(r"<tspan[^>]*>(.*?)</tspan>|<text[^>]*>([^<]+)", svg)
        for t in t
        if t
    ]


def said(case):
    return [w for _, svg in power_pictures(case) for w in words(svg)]


@pytest.mark.parametrize("name", TOPOLOGIES)
def test_every_topology_is_drawn_with_every_designator(name):
    case = parse_case(template(name), "case.toml")
    every = said(case)
    drawn = [p for s in sections(case) for p in s.parts]
    designators = {p.lines[0] for p in drawn}
    wanted = {"L1", "switch", "diode", "Co"} | (
        {"L2", "Cs"} if TOPOLOGIES[name].stage_table == "two inductors" else set()
    )
    assert wanted <= designators
    assert designators <= set(every), designators - set(every)
    assert len([p.lines[0] for p in drawn]) == len(designators)
    for part in drawn:
        assert all(line in every for line in part.lines if line), part
    assert {"input", "load", "output"} <= set(every)
    assert power_pictures(case) == power_pictures(case)
    assert all(png_of(svg).startswith(b"\x89PNG") for _, svg in power_pictures(case))


@pytest.mark.parametrize("name", [n for n, t in TOPOLOGIES.items() if t.stage_table != "transformer"])
def test_ladder_holds_every_part_once(name):
    """Nothing of a section is lost between the netlist and the drawing, and nothing is drawn twice."""
    case = parse_case(template(name) + FILTERS.partition("[output_filter]")[0], "case.toml")
    for section in sections(case):
        sorted_ = ladder(section)
        drawn = [p for group in (*sorted_.between, *sorted_.down.values()) for chain in group for p in chain]
        assert sorted(p.lines[0] for p in drawn) == sorted(p.lines[0] for p in section.parts)
        assert sorted_.nodes[0] == section.first
        assert sorted_.nodes[-1] == section.last
        for pair, group in zip(zip(sorted_.nodes, sorted_.nodes[1:], strict=False), sorted_.between, strict=True):
            assert group, f"nothing leads from {pair[0]} to {pair[1]}"
        for node, group in sorted_.down.items():
            assert all({chain[0].a, chain[-1].b} == {node, GROUND} for chain in group)


def test_filters_dampers_and_banks_are_drawn():
    text = (CASES / "tide_gauge_sepic_undamped.toml").read_text(encoding="utf-8") + FILTERS
    every = said(parse_case(text, "case.toml"))
    for word in (
        "Rs", "Ls", "choke leakage", "Lf", "Cf", "Rfd", "Lfd", "Lof", "Cof", "Rofd", "Cofd", "Co1", "Co2", "4.7 µH",
        "10 µF", "1.5 Ω", "2.2 µH", "680 nH", "220 µF", "120 µF ±20 %", "8 V to 30 V", "to the converter",
        "from the input filter", "to the output filter", "from the converter",
    ):  # fmt: skip
        assert word in every, word


def test_damper_and_coupling_are_drawn():
    assert {"Rd", "Cd", "2.7 Ω ±20 %", "33 µF ±20 %"} <= set(said(load_case(CASES / "tide_gauge_sepic.toml")))
    coupled = said(load_case(CASES / "wave_buoy_coupled_sepic.toml"))
    assert any("share one core, k = 0.97" in w for w in coupled)


def test_transformer_is_drawn_with_its_turns_and_resistances():
    every = said(load_case(CASES / "echo_sounder_flyback.toml"))
    assert {"T1", "1 : 0.4", "Rpri", "70 mΩ", "Rsec", "12 mΩ", "90 µH ±10 %"} <= set(every)


def test_synchronous_rectifier_is_drawn_as_a_switch():
    text = template("buck").replace('rectifier = "diode"', 'rectifier = "synchronous"')
    case = parse_case(text, "case.toml")
    assert {p.kind for s in sections(case) for p in s.parts} >= {"switch", "rectifier switch"}
    assert "rectifier" in said(case)


def test_negative_output_is_told():
    assert any("negative against ground" in w for w in said(parse_case(template("cuk"), "case.toml")))


@pytest.mark.parametrize("network", ["type I", "type II", "type III"])
@pytest.mark.parametrize("kind", ["transconductance", "operational", "shunt optocoupler"])
def test_every_network_around_every_amplifier(network, kind):
    case = load_case(CASES / "echo_sounder_flyback.toml")
    told = {
        "transconductance": 'kind = "transconductance"\ngm = "1 mS"\noutput_resistance = "2 Mohm"',
        "operational": 'kind = "operational"\ndc_gain = "80 dB"\ngain_bandwidth = "5 MHz"',
    }
    text = (CASES / "echo_sounder_flyback.toml").read_text(encoding="utf-8")
    if kind in told:
        text = re.sub(r'kind = "shunt.*?gain_bandwidth = "1 MHz"', told[kind], text, flags=re.DOTALL)
    text = text.replace('network = "type II"', f'network = "{network}"')
    text = text.replace('lower = "4.7 kohm"', 'lower = "4.7 kohm"\nfeedforward = "33 pF"')
    case = parse_case(text, "case.toml")
    fitted = {"type I": ("C1",), "type II": ("R1", "C1", "C2"), "type III": ("R1", "C1", "C2", "R2", "C3")}[network]
    parts = {name: PARTS[name] for name in fitted}
    every = words(control_picture(case, parts))
    assert {*fitted, "Rupper", "Rlower", "Cff", "17.86 kΩ", "4.7 kΩ", "reference", "2.5 V", "control"} <= set(every)
    assert set(PARTS) - set(fitted) - set(every) == set(PARTS) - set(fitted)
    if kind == "shunt optocoupler":
        assert {"Rled", "LED", "Rpull-up", "optocoupler", "70 % to 160 %", "3.3 kΩ"} <= set(every)
    assert {"peak current modulator", "sense 200 mV/A", "ramp 47 mV/µs"} <= set(every)


def test_part_not_fitted_is_not_drawn():
    case = load_case(CASES / "tide_gauge_sepic.toml")
    assert "C2" not in words(control_picture(case, {"R1": 1e3, "C1": 1e-9, "C2": 0.0}))


def test_current_sense_takes_the_place_of_the_divider():
    case = load_case(CASES / "navigation_light_sepic.toml")
    every = words(control_picture(case, {"R1": 1e3, "C1": 1e-9, "C2": 0.0}))
    assert {"sense resistor", "300 mΩ", "limit 420 mV"} <= set(every)
    assert "Rupper" not in every
    assert {"sense resistor", "load"} <= set(said(case))


def test_letters_of_a_case_cannot_break_the_picture():
    """No text of the case but values and words of its own choice reaches a schematic."""
    text = (CASES / "tide_gauge_sepic_undamped.toml").read_text(encoding="utf-8")
    hostile = text.replace('title = "', 'title = "<script>$x$').replace('notes = "', 'notes = "&<b>')
    assert power_pictures(parse_case(hostile, "case.toml")) == power_pictures(parse_case(text, "case.toml"))


def test_leakage_and_clamp_are_drawn_with_their_values():
    every = said(load_case(CASES / "ice_radar_flyback.toml"))
    for word in ("leakage", "1.8 µH ±30 %", "Rc", "6.8 kΩ ±5 %", "Cc", "15 nF ±5 %", "Dc", "800 mV, 100 mΩ"):
        assert word in every, word
    assert "Dc" not in said(parse_case(template("flyback"), "case.toml"))


@pytest.mark.parametrize("name", ["tide_gauge_sepic", "ice_radar_flyback", "rain_radar_sepic"])
def test_letters_stay_inside_the_picture_and_off_the_next_branch(name):
    """With letters 0.6 of their size wide, which is wide for a family without serifs: measured in a browser's default."""
    case = load_case(CASES / f"{name}.toml")
    for svg in (*(svg for _, svg in power_pictures(case)), control_picture(case, PARTS)):
        assert 'font-family="sans"' not in svg
        left, _, width, _ = map(float, re.search(r'viewBox="([^"]+)"', svg)[1].split())
        lines = re.findall(r'text-anchor="(\w+)"><tspan x="([-\d.]+)"[^>]*>([^<]+)', svg)
        assert len(lines) > 5
        for anchor, x, text in lines:
            wide = 0.55 * 12.0 * len(unescape(text))
            begin = float(x) - wide * {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
            assert left <= begin
            assert begin + wide <= left + width, text
