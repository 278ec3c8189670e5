"""The report of a check proposes what stops a current loop that oscillates by itself."""

import json
import re
from pathlib import Path

from loopdesign.cli import main

CASES = Path(__file__).parents[3] / "cases"


def proposed(tmp_path, text):
    case = tmp_path / "case.toml"
    case.write_text(text, encoding="utf-8")
    status = main(["check", str(case), "--json", "--output", str(tmp_path / "report")])
    answer = json.loads((tmp_path / "report" / "report.json").read_text(encoding="utf-8"))
    return status, answer["proposals"], (tmp_path / "report" / "report.md").read_text(encoding="utf-8")


def test_report_proposes_a_damper_only_where_the_current_loop_needs_one(tmp_path, capsys):
    """The undamped SEPIC of the trade: a damper across Cs is the cure, and with it nothing is left to propose."""
    text = (CASES / "tide_gauge_sepic_undamped.toml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^load_step.*$", "", text)
    text = re.sub(r"(?m)^(input_voltage *=).*$", r'\1 ["8 V"]', text)
    text = re.sub(r"(?m)^(output_current *=).*$", r'\1 ["1.2 A"]', text)
    status, sentences, page = proposed(tmp_path, text)
    capsys.readouterr()
    assert status == 1
    assert len(sentences) == 1
    assert sentences[0].startswith("a damper of 2.2 ohm in series with 33 uF across the coupling capacitor")
    assert "a damper of 2.2 ohm" in page
    damped = text.replace("[stage]", '[stage]\ndamper = { resistance = "2.2 ohm", capacitance = "33 uF" }', 1)
    _, sentences, page = proposed(tmp_path, damped)
    assert sentences == []
    assert "Proposals:" not in page
