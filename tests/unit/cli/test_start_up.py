"""``step --start`` through the real entry point: the output follows the ramp of the reference into regulation."""

import json
import re
import subprocess
import sys
from pathlib import Path

from loopdesign.cli import main

CASE = Path(__file__).parents[3] / "cases" / "mooring_head_flyback.toml"
SIMPLE = CASE.with_name("tide_gauge_sepic_undamped.toml")


def started(tmp_path, *changes):
    text = CASE.read_text(encoding="utf-8").replace('reference = "1.2 V"', 'reference = "1.2 V"\nsoft_start = "2 ms"')
    text = text.replace('min = "36 V", nominal = "48 V", max = "60 V"', 'min = "47 V", nominal = "48 V", max = "48 V"')
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "case.toml"
    path.write_text(text, encoding="utf-8")
    report = ["--output", str(tmp_path / "report")]
    command = [sys.executable, "-m", "loopdesign", "step", str(path), "--start", "--json", *report]
    done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)
    return done.returncode, json.loads(done.stdout)


def test_start_follows_the_ramp_and_comes_to_regulation(tmp_path):
    status, answer = started(tmp_path)
    assert status == 0
    for corner in answer["corners"]:
        half = min(range(len(corner["time_s"])), key=lambda k: abs(corner["time_s"][k] - 1e-3))
        assert abs(corner["output_voltage_v"][half] - 6.0) < 1.0  # half-way up the ramp
        assert abs(corner["output_voltage_v"][-1] - 12.0) < 0.02
        assert corner["settling_time_s"] < 2.5e-3
        assert corner["peak_current_a"] > 0.0
        assert abs(corner["energy"]["missing"]) < 1e-6
        assert len(corner["sensed_peak_a"]) == len(corner["time_s"])
    told = (tmp_path / "report" / "report.md").read_text(encoding="utf-8")
    assert "Start-up" in told
    assert "overshoot" in told
    assert json.loads((tmp_path / "report" / "report.json").read_text(encoding="utf-8"))["corners"] == answer["corners"]


def test_design_tells_beside_the_verdict_what_the_starts_of_its_report_came_to(tmp_path, capsys, monkeypatch):
    """Here a current above its rating; the report itself is left out, a check without one made no start and tells of none."""
    monkeypatch.setattr("loopdesign.cli.deliver.write_findings", lambda *_, **__: None)
    text = SIMPLE.read_text(encoding="utf-8").replace(
        'reference = "1.2 V"', 'reference = "1.2 V"\nsoft_start = "0.5 ms"'
    )
    text = re.sub(r"(?m)^input_voltage = .*$", 'input_voltage = ["30 V"]', text)
    text = re.sub(r"(?m)^load_step = .*\n", "", text)
    path = tmp_path / "case.toml"
    path.write_text(text + '\n[ratings]\nL1_current = "0.9 A"\n', encoding="utf-8")
    main(["design", str(path), "--output", str(tmp_path / "report")])
    told = " ".join(capsys.readouterr().out.split())
    (said,) = re.findall(r"warning: start-up, not part of the verdict: (.*?) is above 0\.9 A", told)
    assert said.startswith("L1 current")
    main(["check", str(path), "--nominal"])
    assert "start-up" not in capsys.readouterr().out
