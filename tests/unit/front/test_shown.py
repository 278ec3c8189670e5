"""How results show themselves: few lines with the verdict first, notebook, rows for a data frame, figures."""

import html.parser
import json
import sys
import types
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from matplotlib.figure import Figure

import loopdesign as ld
from loopdesign.report.basics.brief import MOST_LINES, Brief, brief_html, brief_text
from loopdesign.report.basics.tables import Column, Table

ROOT = Path(__file__).parents[3]
BOOST = {"R1": 9.09e3, "C1": 27e-9, "C2": 1.8e-9}
UNDAMPED = ROOT / "cases" / "tide_gauge_sepic_undamped.toml"


@pytest.fixture(scope="module")
def case():
    return ld.load_case(UNDAMPED)


@pytest.fixture(scope="module")
def results(case):
    return {
        "check": ld.check(case),
        "response": ld.response(case, "loop", frequencies_hz=np.geomspace(100.0, 1e5, 200), input_voltage=8),
        "step": ld.step(case, cycles=30),
        "spread": ld.spread(case, samples=16),
        "design": ld.design(ROOT / "cases" / "beacon_boost.toml", {"R1": 9.09e3, "C1": 27e-9}, nominal=True),
    } | {"filter": ld.check(ROOT / "cases" / "beacon_boost.toml", BOOST).filter_study()}


KINDS = ("check", "response", "step", "spread", "design", "filter")


@pytest.mark.parametrize("kind", KINDS)
def test_print_is_short_and_the_verdict_comes_first(results, kind):
    lines = str(results[kind]).splitlines()
    assert 3 < len(lines) <= 30
    words = {"design": "Stable", "filter": "Stable"}.get(kind, "UNSTABLE")
    assert words in lines[0]
    assert all(line == line.rstrip() for line in lines)
    assert max(map(len, lines)) <= 120


@pytest.mark.parametrize("kind", KINDS)
def test_repr_is_one_line_with_the_verdict(results, kind):
    told = repr(results[kind])
    assert "\n" not in told
    assert told.startswith(f"<{type(results[kind]).__name__}: ")
    assert "array(" not in told


@pytest.mark.parametrize("kind", KINDS)
def test_rows_are_plain_and_ready_for_a_data_frame(results, kind):
    """Every row has the same keys, and nothing but plain numbers, words, lists and None."""
    rows = results[kind].to_rows()
    assert rows
    assert len({tuple(row) for row in rows}) == 1
    assert json.loads(json.dumps(rows, allow_nan=False)) == rows
    assert all(type(row.get("stable", row.get("stable_with"))) is bool for row in rows)


def test_rows_of_a_spread_hold_the_factors_of_every_sample(results):
    spread = results["spread"]
    rows = spread.to_rows()
    assert len(rows) == spread.samples * len(spread.conditions)
    row = next(r for r in rows if r["sample"] == 3 and (r["input_voltage"], r["load_current"]) == (13.0, 1.2))
    varied = [v for v in row if v.startswith("L1.")]
    assert varied == ["L1.inductance"]
    place = spread.places[3][[v.name for v in spread.varied].index("L1.inductance")]
    assert row["L1.inductance"] == pytest.approx(1.0 + 0.2 * place)  # the case says 20 %


def test_rows_of_steps_keep_the_json_names(results):
    row = results["step"].to_rows()[0]
    assert {"input_voltage", "load_from", "load_to", "peak_deviation_v", "settling_time_s", "stable"} <= set(row)
    corner = results["step"].corners[0]
    assert corner.time_s.shape == corner.output_voltage_v.shape


class Tags(html.parser.HTMLParser):
    """Collects the tags of a piece of HTML and checks that each is closed."""

    def __init__(self, text):
        super().__init__()
        self.open, self.seen = [], []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.open.append(tag)
        self.seen.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.mark.parametrize("kind", KINDS)
def test_notebook_gets_balanced_html(results, kind):
    text = results[kind]._repr_html_()
    tags = Tags(text)
    assert tags.open == []
    assert set(tags.seen) <= {
        "div",
        "p",
        "strong",
        "table",
        "caption",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "ul",
        "li",
        "code",
    }
    assert len(text) < 20_000


def test_titles_cannot_write_html_or_steer_a_terminal(case):
    hostile = case.model_copy(update={"title": "<script>alert(1)</script>\x1b[2J\nsecond line"})
    examined = ld.check(hostile)
    assert set(Tags(examined._repr_html_()).seen) >= {"table"}
    assert "script" not in Tags(examined._repr_html_()).seen
    assert "\x1b" not in examined._repr_html_() + str(examined) + repr(examined)
    assert "second line (sepic)" in str(examined)


def test_many_corners_keep_the_worst_ones(results):
    """Of 40 rows the important ones stay, in their own order, and the number left out is told."""
    table = Table(
        title="numbers",
        columns=(Column(heading="name"), Column(heading="value", unit="V")),
        rows=tuple((f"row{k}", float(k)) for k in range(40)),
    )
    brief = Brief(verdict="fine", table=table, rows=(39, 7, *range(7), *range(8, 39)))
    text = brief_text(brief)
    assert text.splitlines()[0] == "fine"
    assert "row39" in text
    assert text.index("row7") < text.index("row39")
    assert "row13" not in text
    assert "26 more" in text
    assert "26 more" in brief_html(brief)
    assert len(text.splitlines()) <= MOST_LINES


def test_many_notes_are_counted():
    text = brief_text(Brief(verdict="v", notes=tuple(f"note {k}" for k in range(100))))
    assert len(text.splitlines()) == MOST_LINES
    assert text.splitlines()[-1].strip() == "... and 73 more lines"


def test_check_without_a_loop_prints_its_verdict(case):
    bare = case.model_copy(update={"error_amplifier": None, "divider": None, "compensation": None})
    examined = ld.check(bare)
    assert "No loop is given" in str(examined).splitlines()[0]
    with pytest.raises(ld.DataError, match="no loop to draw"):
        examined.plot_loop()
    assert isinstance(examined.plot_plant(), Figure)


@pytest.mark.parametrize(
    ("kind", "method"),
    [
        ("check", "plot_loop"), ("check", "plot_plant"), ("check", "plot_nyquist"), ("check", "plot_overview"),
        ("response", "plot"),
        ("step", "plot"), ("spread", "plot"), ("spread", "plot_envelope"), ("design", "plot_loop"),
        ("design", "plot_plant"), ("filter", "plot"),
    ],
)  # fmt: skip
def test_figures(results, kind, method, tmp_path):
    """A figure of matplotlib that can be saved; pyplot, with its global state, is not touched."""
    figure = getattr(results[kind], method)()
    assert isinstance(figure, Figure)
    figure.savefig(tmp_path / "drawn.png", dpi=40)
    assert (tmp_path / "drawn.png").stat().st_size > 1000
    assert any(ax.lines or ax.patches for ax in figure.axes)


def test_response_figure_shows_the_numbers_and_the_verdict(results, case):
    figure = results["response"].plot()
    magnitude, _ = figure.axes
    assert np.allclose(magnitude.lines[0].get_ydata(), 20 * np.log10(np.abs(results["response"].values)))
    assert "UNSTABLE" in figure.get_suptitle()
    single = ld.response(case, "output-impedance", frequencies_hz="1k").plot()
    assert single.axes[0].get_ylabel() == "magnitude [Ω]"


def test_pandas_gets_one_row_each_and_the_worst_mode_in_columns(results, monkeypatch):
    """With a stand-in for pandas that keeps what it is given."""
    stand_in = types.ModuleType("pandas")
    stand_in.DataFrame = lambda rows: rows
    monkeypatch.setitem(sys.modules, "pandas", stand_in)
    rows = results["check"].to_pandas()
    assert len(rows) == 6
    assert rows[1]["worst_mode_name"] == "coupling resonance"
    assert "worst_mode" not in rows[1]


def test_without_pandas_the_error_says_what_to_do(results, monkeypatch):
    monkeypatch.setitem(sys.modules, "pandas", None)
    with pytest.raises(ld.LoopDesignError, match=r"to_pandas\(\) needs pandas: pip install pandas"):
        results["check"].to_pandas()


def test_results_can_be_changed_only_by_copying(results):
    examined = results["check"]
    with pytest.raises(AttributeError):
        examined.parts = {}
    assert type(replace(examined, parts={})) is ld.Check


def test_filter_study_of_a_case_without_a_filter(results):
    with pytest.raises(ld.DataError, match=r"no \[input_filter\]"):
        results["check"].filter_study()
