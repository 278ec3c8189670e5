"""The report as blocks, and what is written from them: Markdown, HTML and the document say the same and obey no case."""

import datetime as dt
import hashlib
import io
import json
import re
from dataclasses import fields, replace
from functools import partial
from html.parser import HTMLParser
from pathlib import Path

import pytest

from loopdesign.analysis.check import examine
from loopdesign.analysis.curves import report_data
from loopdesign.analysis.given import given_parts, with_parts
from loopdesign.analysis.impedances import impedances
from loopdesign.analysis.startup import rise
from loopdesign.analysis.startup.rise import rises
from loopdesign.bench.plan import bench_plan
from loopdesign.case import CaseFile, load_case, parse_case, read_file
from loopdesign.errors import ConvergenceError, DataError
from loopdesign.report import folder
from loopdesign.report.basics.date import document_date
from loopdesign.report.basics.exact import exact_text
from loopdesign.report.basics.tables import Column, Table
from loopdesign.report.content import blocks
from loopdesign.report.content.cells import lettered_cells
from loopdesign.report.content.chapters.dynamics import start_chapter
from loopdesign.report.content.chapters.inputs import input_tables
from loopdesign.report.content.chapters.opening import opening
from loopdesign.report.content.findings import Findings
from loopdesign.report.content.gather import gather
from loopdesign.report.content.html import anchors, to_html
from loopdesign.report.content.markdown import markdown_table, neutral, to_markdown
from loopdesign.report.content.pictures import drawings, pictures_of, png_of, with_own_names
from loopdesign.report.content.typst import document_files, to_pdf, to_typst

CASES = Path(__file__).parents[3] / "cases"
UNDAMPED = CASES / "tide_gauge_sepic_undamped.toml"
HOSTILE = '#panic("x") $y$ @z \\q *b* _i_ `c` <script>alert(1)</script> [l](http://a.b) {{ 7*7 }} "&amp;'
"""Signs that mean something to typst, Markdown, HTML and templates."""


def findings_of(text, name="case.toml", **more):
    case = parse_case(text, name)
    found = examine(case, given_parts(case) if case.compensation else {})
    given = CaseFile(path=name, text=text, sha256=hashlib.sha256(text.encode()).hexdigest())
    return Findings(
        check=found, curves=report_data(found, proposals=("fit a damper",)), given=given, date="2026-01-02",
        chosen_text=text, **more,
    )  # fmt: skip


def one_corner(text):
    text = re.sub(r"input_voltage = .*", 'input_voltage = ["8 V"]', text)
    text = re.sub(r"(?m)^load_step.*$", "", text)
    return re.sub(r"output_current = .*", 'output_current = ["1.2 A"]', text)


@pytest.fixture(scope="module")
def small():
    """The undamped SEPIC at its worst corner, and what is gathered of it."""
    findings = findings_of(one_corner(UNDAMPED.read_text(encoding="utf-8")))
    findings = replace(findings, impedances=impedances(findings.check), plan=bench_plan(findings.check))
    content = gather(findings)
    return findings, content.with_pictures(pictures_of(content.figures))


def test_a_start_up_that_fails_is_on_the_first_page_and_costs_no_report(small, monkeypatch):
    """A start that does not regulate, and one that cannot be computed: both are told beside the verdict."""
    findings, _ = small
    whole = with_parts(findings.check.case, findings.check.parts)
    started = rises(whole)
    assert len(started.results) == 1
    assert not started.stable

    def refuse(*_):
        raise ConvergenceError("no way")

    monkeypatch.setattr(rise, "_rise", refuse)
    refused = rises(whole)
    assert refused.reasons == ("start at 8 V, 1.2 A was not made: no way",)
    for study in (started, refused):
        page = opening(replace(findings, starts=study))
        (note,) = (block for block in page if getattr(block, "title", "").startswith("Start-up"))
        assert note.items == study.reasons
        assert "no part of the verdict" in note.title
        assert start_chapter(study)[1].text == "; ".join(study.reasons)


@pytest.fixture(scope="module")
def hostile():
    text = one_corner(UNDAMPED.read_text(encoding="utf-8"))
    quoted = HOSTILE.replace("\\", "\\\\").replace('"', '\\"')
    text = re.sub(r"(?m)^title = .*$", lambda _: f'title = "{quoted}"', text)
    text = re.sub(r"(?m)^notes = .*$", lambda _: f'notes = "{quoted}"', text)
    text += f'\n[document]\nprepared_by = "{quoted}"\nrevision = "{quoted}"\ndate = "{quoted}"\n'
    return gather(findings_of(text, "a <b>#c $d.toml"))


def plain_text(pdf):
    import pypdf

    pages = [page.extract_text() for page in pypdf.PdfReader(io.BytesIO(pdf)).pages]
    return [page.replace("\u200b", "") for page in pages]


def squeezed(text):
    """Without blanks: a document breaks lines where it likes."""
    return re.sub(r"[\s\u200b\u2007\u2008\u202f\u00ad]+", "", text)


class Reader(HTMLParser):
    """Elements, their attributes and all text of a page."""

    def __init__(self, text):
        super().__init__()
        self.elements, self.text, self.open = [], [], []
        self.feed(text)
        assert self.open == []

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        self.text.append(data)


# ---------------------------------------------------------------- gathered


def test_every_block_is_frozen_and_every_kind_is_written_everywhere(small):
    _, content = small
    every = (
        *content.blocks, blocks.Code(text="a", caption="b"), blocks.Attachment(name="x.toml", text="y"),
        blocks.Bullets(items=("a",), title="t"),
    )  # fmt: skip
    whole = replace(content, blocks=every)
    assert {type(b) for b in every} == set(blocks.Block.__args__)
    told = json.loads(to_typst(whole))
    assert len(told["blocks"]) == len(every)
    assert "x.toml" in to_html(whole)
    assert "[x.toml](x.toml)" in to_markdown(whole)
    with pytest.raises(AttributeError):
        content.title = "other"


def test_report_says_everything(small):
    findings, content = small
    for text in (to_markdown(content), "".join(Reader(to_html(content)).text), "".join(plain_text(to_pdf(content)))):
        said = squeezed(text).replace("\\", "")
        for words in (
            "store energy", "qualified persons", "no substitute for a measured loop", "licensed practice", "fit a damper",
            "What was given", "What fails", "UNSTABLE at the only corner", findings.given.sha256[:16], "loopdesign 0.", "2026-01-02",
            "Method, limits and sources", "Worst" if findings.check.beyond else "Verdict and margins",
        ):  # fmt: skip
            assert squeezed(words) in said, words


def test_all_three_hold_every_input_with_all_its_digits(small):
    findings, content = small
    rows = [row for table in input_tables(findings.check.case) for row in table.rows]
    assert len(rows) > 60
    document = squeezed("".join(plain_text(to_pdf(content))))
    page = squeezed("".join(Reader(to_html(content)).text))
    markdown = squeezed(to_markdown(content).replace("\\", ""))
    for key, value, *_ in rows:
        for said in (document, page, markdown):
            assert squeezed(key) in said, key
            assert squeezed(value) in said, (key, value)


def test_inputs_name_every_key_of_every_shipped_case():
    """A key of the file that no row and no note names would be an input that the document omits."""
    import tomllib

    def keys(table, path=""):
        for name, value in table.items():
            if isinstance(value, dict) and not (set(value) <= {"min", "nominal", "max"} and path != "error_amplifier."):
                yield from keys(value, f"{path}{name}.")
            elif isinstance(value, list) and value and isinstance(value[0], dict):
                for k, part in enumerate(value):
                    if name in {"elements", "outputs"}:  # found by their own names; the first row says what and where
                        yield f"{path}{part['name']}"
                        own = {"name", "kind", "between", "of", "primary", "secondary"}
                        yield from keys({key: v for key, v in part.items() if key not in own}, f"{path}{part['name']}.")
                    else:
                        yield from keys(part, f"{path}{name}." if len(value) == 1 else f"{path}{name}[{k + 1}].")
            else:
                yield f"{path}{name}"

    for path in CASES.glob("*.toml"):
        text = path.read_text(encoding="utf-8")
        told = {f"{t.title[9:-1]}.{row[0]}" for t in input_tables(load_case(path)) for row in t.rows}
        given = {k for k in keys(tomllib.loads(text)) if not k.startswith(("title", "notes", "document."))}
        assert given - told == set(), path.name


def test_inputs_say_what_an_element_is_and_which_nodes_it_joins():
    """As a person would, and not as Python writes a pair."""
    case = load_case(CASES / "mooring_head_flyback.toml")
    (stage,) = (t for t in input_tables(case) if t.title == "Inputs: [stage]")
    told = {row[0]: row[1] for row in stage.rows}
    assert told["output"] == "out, 0"
    assert told["T1"] == "transformer, primary p and a, secondary 0 and s1"
    assert told["D2"] == "rectifier between r2 and logger"
    assert told["logger"] == "further output between logger and 0"
    assert not any(value.startswith("(") for value in told.values())


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (4.7e-6, "F", "4.7 µF"),
        (12345.678, "ohm", "12.345678 kΩ"),
        (40e3, "V/s", "40 mV/µs"),
        (0.0, "H", "0 H"),
        (-20.0, "degC", "-20 °C"),
        (0.4, "", "0.4"),
        (1e-4, "ppm/K", "100 ppm/K"),
        (0.2, "%", "20 %"),
    ],
)
def test_exact_text(value, unit, text):
    assert exact_text(value, unit) == text


def test_figures_have_captions_that_say_what_to_see(small):
    _, content = small
    schematic = {"schematic_power_stage", "schematic_control"}
    assert {f.name for f in content.figures} == {"loop_bode", "nyquist", "plant_bode", "impedances"} | schematic
    for figure in content.figures:
        assert "To see:" in figure.caption or figure.name in schematic
        assert figure.svg.startswith("<svg")
        assert "<image" not in figure.svg  # vector only


def test_pictures_are_drawn_later_and_their_places_have_their_size(small):
    """What a document is rehearsed with: the same blocks, empty pictures of the size that the real ones will have."""
    findings, content = small
    undrawn = gather(findings)
    assert set(drawings(undrawn.figures)) == {f.name for f in undrawn.figures} == {f.name for f in content.figures}
    assert drawings(content.figures) == {}
    size = re.compile(r'<svg[^>]* width="([\d.]+)pt" height="([\d.]+)pt"')
    for later, drawn in zip(undrawn.figures, content.figures, strict=True):
        assert drawn.preview == drawn.svg == later.svg
        if not later.name.startswith("schematic_"):  # whose size only drawing can tell
            assert size.match(later.preview).groups() == size.search(drawn.svg).groups(), later.name
    rehearsed, whole = document_files(undrawn, preview=True), document_files(content)
    assert rehearsed.keys() == whole.keys()
    assert {name for name in whole if whole[name] != rehearsed[name]} == {f"picture-{k}.svg" for k in range(6)}


def test_report_without_loop_says_what_there_is():
    text = UNDAMPED.read_text(encoding="utf-8")
    content = gather(findings_of(one_corner(text[: text.index("[error_amplifier]")])))
    assert {f.name for f in content.figures} == {"plant_bode", "schematic_power_stage"}
    assert "Parts of the loop" not in [b.text for b in content.blocks if isinstance(b, blocks.SectionHeading)]
    assert to_pdf(content).startswith(b"%PDF-")


def test_oscillating_converter_has_no_worksheet(small):
    _, content = small
    told = to_markdown(content)
    assert "Do not inject into a converter that oscillates" in told
    assert "To measure at" not in told


def test_stable_converter_has_a_worksheet_with_places_to_fill_in():
    text = one_corner(UNDAMPED.read_text(encoding="utf-8")).replace('["8 V"]', '["30 V"]')
    findings = findings_of(text)
    findings = replace(findings, plan=bench_plan(findings.check))
    content = gather(findings)
    pages = squeezed("".join(plain_text(to_pdf(content))))
    assert squeezed("To measure at 30 V, 1.2 A") in pages
    assert pages.count("[]") == to_markdown(content).count("........") // 2 == 12
    for words in ("Reference channel", "Middlebrook", "Grounds", "5 % of its value", "makes the zero at"):
        assert squeezed(words) in pages, words


# ---------------------------------------------------------------- date and file


def test_date_is_that_of_the_case_then_of_the_build_then_today(small):
    case, today = small[0].check.case, dt.date(2026, 3, 4)
    assert document_date(case, None, today) == "2026-03-04"
    assert document_date(case, "86400", today) == "1970-01-02"
    dated = case.model_copy(update={"document": case.document.model_copy(update={"date": "spring 2026"})})
    assert document_date(dated, "86400", today) == "spring 2026"
    with pytest.raises(DataError, match='SOURCE_DATE_EPOCH is "soon"; expected whole seconds'):
        document_date(case, "soon", today)


def test_digest_is_that_of_the_bytes(tmp_path):
    """FIPS 180-4: what ``sha256sum`` says of the file, a byte-order mark included."""
    path = tmp_path / "case.toml"
    path.write_bytes(b"\xef\xbb\xbfabc")
    read = read_file(path)
    assert (read.text, read.name) == ("abc", "case.toml")
    assert read.sha256 == hashlib.sha256(b"\xef\xbb\xbfabc").hexdigest()


# ---------------------------------------------------------------- Markdown


@pytest.mark.parametrize(
    ("text", "inert"),
    [
        ("a *b* _c_ `d`", r"a \*b\* \_c\_ \`d\`"),
        ("<script>x</script>", "&lt;script&gt;x&lt;/script&gt;"),
        ("[x](http://y.z)", r"\[x\](http\://y.z)"),
        ("# head", r"\# head"),
        ("- item", r"\- item"),
        ("1. item", r"1\. item"),
        ("12) item", r"12\) item"),
        ("---", r"\---"),
        ("-5.2 V", "-5.2 V"),
        ("1.5 A", "1.5 A"),
        ("a | b", r"a \| b"),
        ("one\ntwo\u202ethree", r"one two\\u202ethree"),
        ("{{ x }}", r"\{\{ x \}\}"),
    ],
)
def test_user_text_is_inert(text, inert):
    assert neutral(text) == inert


def test_markdown_begins_with_title_and_verdict_and_its_tables_are_whole(small):
    _, content = small
    text = to_markdown(content)
    lines = text.splitlines()
    assert lines[0] == "# Tide-gauge logger supply, damper left out"
    assert lines[2].startswith("**UNSTABLE at ")
    assert "| **UNSTABLE** |" in text
    for block in re.split(r"\n(?!\|)", text):
        widths = {len(re.findall(r"(?<!\\)\|", x)) for x in block.splitlines() if x.startswith("|")}
        assert len(widths) <= 1


def test_markdown_links_pictures_only_where_they_are_written(small):
    _, content = small
    assert "](loop_bode" not in to_markdown(content)
    assert "](loop_bode.svg)" in to_markdown(content, pictures=("svg",))
    both = to_markdown(content, pictures=("png", "svg"))
    assert "](loop_bode.png)" in both
    assert "[loop_bode.svg](loop_bode.svg)" in both


def test_fence_is_longer_than_any_in_the_text():
    code = blocks.Code(text="a\n````\nb")
    content = blocks.Content(title="t", front=(), verdict="v", good=True, running=("", ""), blocks=(code,))
    assert "\n`````toml\na\n````\nb\n`````" in to_markdown(content)


def test_markdown_with_hostile_text(hostile):
    text = to_markdown(hostile).partition("## The case file")[0]
    assert "<script>" not in text
    assert "{{" not in text
    assert not re.search(r"(?<!\\)\]\(|(?<!\\)://", text)


# ---------------------------------------------------------------- HTML


def test_html_is_whole_semantic_and_has_unique_names(small):
    _, content = small
    page = Reader(to_html(content))
    tags = [tag for tag, _ in page.elements]
    assert {"article", "header", "section", "table", "caption", "figure", "figcaption", "svg"} <= set(tags)
    assert not {"script", "style", "link", "iframe", "img", "object"} & set(tags) - {"style"}
    heads = [attrs for tag, attrs in page.elements if tag == "th"]
    assert heads
    assert all(attrs["scope"] in {"col", "row"} for attrs in heads)
    ids = [attrs["id"] for _, attrs in page.elements if "id" in attrs]
    assert len(set(ids)) == len(ids)
    used = re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)|aria-labelledby="([^"]+)"', to_html(content))
    assert {a or b or c for a, b, c in used} <= set(ids)
    assert set(anchors(content)) <= set(ids)
    assert not any(name.startswith("on") for _, attrs in page.elements for name in attrs)


def test_html_with_hostile_text(hostile):
    page = Reader(to_html(hostile))
    assert "script" not in [tag for tag, _ in page.elements]
    assert page.text.count(HOSTILE) >= 4
    assert not any("alert" in str(attrs) for _, attrs in page.elements)


def test_equal_headings_get_names_of_their_own():
    heads = tuple(blocks.SectionHeading(text=t) for t in ("A b", "a B!", "Ω", "A b"))
    content = blocks.Content(title="t", front=(), verdict="v", good=True, running=("", ""), blocks=heads)
    assert len(set(anchors(content))) == 4


def test_pictures_get_names_of_their_own():
    svg = '<svg><g id="a"/><use href="#a"/><path clip-path="url(#a)"/></svg>'
    assert with_own_names(svg, "f") == '<svg><g id="f-a"/><use href="#f-a"/><path clip-path="url(#f-a)"/></svg>'


def test_picture_of_dots():
    svg = '<svg xmlns="http://www.w3.org/2000/svg" width="72pt" height="36pt" viewBox="0 0 72 36"><path d="M0 0L9 9"/></svg>'
    data = png_of(svg)
    assert data.startswith(b"\x89PNG")
    assert (int.from_bytes(data[16:20], "big"), int.from_bytes(data[20:24], "big")) == pytest.approx((150, 75), abs=2)


# ---------------------------------------------------------------- document


def test_document_repeats_byte_for_byte_and_numbers_its_pages(small):
    findings, content = small
    pdf = to_pdf(content)
    assert to_pdf(gather(findings)) == pdf
    pages = plain_text(pdf)
    assert len(pages) > 5
    for number, page in enumerate(pages, 1):
        assert squeezed(f"page {number} of {len(pages)}") in squeezed(page)
        assert findings.given.sha256[:16] in squeezed(page)
    assert findings.given.sha256 in squeezed(pages[0])
    assert "Contents" in pages[0]
    assert b"CreationDate" not in pdf
    assert not re.search(rb"/Subtype\s*/Image", pdf)  # vector only


def test_document_shows_hostile_text_as_it_was_written(hostile):
    pages = plain_text(to_pdf(hostile))
    assert squeezed(HOSTILE) in squeezed(pages[0])
    assert squeezed("a <b>#c $d.toml") in squeezed(pages[0])


def test_cells_stand_below_one_another_in_one_unit():
    table = Table(
        title="t", columns=(Column(heading="f", unit="Hz"), Column(heading="w")), rows=((1000.0, "a"), (12500.0, "b"))
    )
    headings, rows = lettered_cells(table)
    assert headings == ("f [kHz]", "w")
    assert [row[0] for row in rows] == ["\u20071.00", "12.5\u2007"]


# ---------------------------------------------------------------- folder


def test_folder_is_whole_and_repeats_byte_for_byte(small, tmp_path):
    _, content = small
    answer, files = {"verdict": {"stable": False}}, {"case.toml": "title = 1\n"}
    names = folder.write_report(tmp_path / "a", content, answer, files=files, pictures=("svg", "png"))
    folder.write_report(tmp_path / "b", content, answer, files=files, pictures=("svg", "png"))
    pictures = {f"{f.name}.{e}" for f in content.figures for e in ("png", "svg")}
    expected = {"report.md", "report.pdf", "report.json", "case.toml"} | pictures
    assert set(names) == {p.name for p in (tmp_path / "a").iterdir()} == expected
    for name in names:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()
    told = json.loads((tmp_path / "a" / "report.json").read_text(encoding="utf-8"))
    assert told["loopdesign"]["files"] == sorted(names)
    assert told["verdict"]["stable"] is False
    assert {p.name for p in tmp_path.iterdir()} == {"a", "b"}
    with pytest.raises(DataError, match="written as png and svg, not as bmp"):
        folder.write_report(tmp_path / "a", content, answer, pictures=("bmp",))


@pytest.fixture
def tiny():
    """A report of two lines, for what does not depend on what it says."""
    return blocks.Content(
        title="t", front=(), verdict="v", good=True, running=("", ""), blocks=(blocks.Paragraph(text="p"),)
    )


def test_old_report_is_replaced_and_other_files_stay(tiny, tmp_path):
    target = tmp_path / "report"
    folder.write_report(target, tiny, {}, files={"case.toml": "x", "old.svg": "y"})
    (target / "measured.csv").write_text("1,2\n", encoding="utf-8")
    (target / "photos").mkdir()
    (target / "photos" / "a.txt").write_text("bench", encoding="utf-8")
    (target / "report.md").write_text("stale", encoding="utf-8")
    folder.write_report(target, tiny, {})
    assert (target / "measured.csv").read_text(encoding="utf-8") == "1,2\n"
    assert (target / "photos" / "a.txt").read_text(encoding="utf-8") == "bench"
    assert (target / "report.md").read_text(encoding="utf-8") != "stale"
    assert not (target / "case.toml").exists()
    assert not (target / "old.svg").exists()


@pytest.mark.parametrize("step", ["to_pdf", "to_markdown", "json_text"])
def test_failure_keeps_the_old_report(tiny, tmp_path, monkeypatch, step):
    target = tmp_path / "report"
    folder.write_report(target, tiny, {})
    before = {p.name: p.read_bytes() for p in target.iterdir()}

    def fail(*_, **__):
        raise MemoryError

    monkeypatch.setattr(folder, step, fail)
    with pytest.raises(MemoryError):
        folder.write_report(target, tiny, {})
    assert {p.name: p.read_bytes() for p in target.iterdir()} == before
    assert [p.name for p in tmp_path.iterdir()] == ["report"]


def test_full_disk_keeps_the_old_report_and_says_why(tiny, tmp_path, monkeypatch):
    target = tmp_path / "report"
    folder.write_report(target, tiny, {})
    before = {p.name: p.read_bytes() for p in target.iterdir()}
    write = Path.write_bytes

    def fail(path, data):
        if path.name == "report.pdf":
            write(path, data[:100])
            raise OSError(28, "No space left on device")
        return write(path, data)

    monkeypatch.setattr(Path, "write_bytes", fail)
    with pytest.raises(DataError, match=r"cannot be written .*No space left"):
        folder.write_report(target, tiny, {})
    assert {p.name: p.read_bytes() for p in target.iterdir()} == before
    assert [p.name for p in tmp_path.iterdir()] == ["report"]


def test_tables_of_markdown_keep_their_shape():
    table = Table(title="t", columns=(Column(heading="a|b"), Column(heading="n", unit="V")), rows=(("x|y", 1.0),))
    assert markdown_table(table).splitlines() == [r"| a\|b | n |", "| :--- | ---: |", r"| x\|y | 1.00 V |"]
    assert {f.name for f in fields(blocks.TableBlock)} == {"table", "folded"}


def test_wide_table_leaves_room_for_its_words(small):
    """Columns of figures with long headings once left columns of words a letter or two: a page for every row or two."""
    _, content = small
    figures = tuple(Column(heading=f"worst-case bound on reading {k}", unit="V") for k in range(5))
    words = "R1 4.32 kohm, C1 100 nF, C2 4.70 nF at 8 V, 0.1 A with 7 values at their ends"
    row = (words, *(1.5 * k for k in range(1, 6)), words)
    table = Table(title="Wide", columns=(Column(heading="parts"), *figures, Column(heading="at")), rows=(row,) * 6)
    pages = plain_text(to_pdf(replace(content, blocks=(blocks.TableBlock(table=table),))))
    assert len(pages) == 1
    lines = pages[0].splitlines()
    assert max(len(line) for line in lines if line.startswith("R1")) > 12, lines


def test_pictures_drawn_elsewhere_stand_in_their_places(small):
    """Those that take longest are begun first, and what is drawn already is left."""
    begun = []

    class Elsewhere:
        def map(self, function, calls):
            begun.extend(function(call) for call in calls)
            return begun

    names = ("nyquist", "loop_bode", "drawn", "step_load")
    figures = [blocks.Figure(name=n, caption="", picture=partial(str, n)) for n in names]
    figures[2] = replace(figures[2], picture="there already")
    told = replace(small[1], blocks=(blocks.Paragraph(text="p"), *figures))
    told = told.with_pictures(pictures_of(told.figures, Elsewhere()))
    assert begun == ["step_load", "loop_bode", "nyquist"]
    assert [f.svg for f in told.figures] == ["nyquist", "loop_bode", "there already", "step_load"]
    assert told.blocks[0] == blocks.Paragraph(text="p")
