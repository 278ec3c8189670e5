"""The page: the report to read, and a desk on which the loop is closed anew for any parts, in one file.

Script and style stand in the file and are named by their hashes in its content policy, which forbids everything else:
no request, no other script, no style of a tag. Text of the case file arrives escaped in HTML; numbers travel as JSON in
a block that is no script.
"""

from __future__ import annotations

import base64
import hashlib
import json
import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from loopdesign.printable import printable
from loopdesign.report.content.blocks import SectionHeading
from loopdesign.report.content.html import anchors, to_html
from loopdesign.report.live.export import live_data
from loopdesign.report.live.inert import without_styles
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from loopdesign.analysis.check import CheckResult
    from loopdesign.report.content.blocks import Content

PAGE = "report.html"
"""Name of the page in a report folder."""
MOST_PAGE = 2_500_000
"""Largest page with a desk [bytes]; where text, figures and the data of the desk are more, the desk is left out."""
HERE = Path(__file__).parent
MODULES = (
    "engine/algebra.js", "engine/compensator.js", "engine/curve.js", "engine/stage.js", "engine/joint.js",
    "engine/held.js", "engine/loop.js", "engine/margins.js", "engine/step.js", "engine/evaluate.js",
    "desk/numbers.js", "desk/chart.js", "desk/verdict.js", "desk/pictures.js", "desk/controls.js", "desk/desk.js",
)  # fmt: skip
"""Modules of the script, each behind those it uses."""
_IMPORT = re.compile(r'^import (\{[^}]*\}) from "[^"]*?(\w+)\.js";$', re.MULTILINE)
_EXPORT = re.compile(r"^export (?=(?:async )?(?:function|const)\s+(\w+))", re.MULTILINE)


def report_page(content: Content, found: CheckResult) -> str:
    """Write the page of a report.

    Parameters
    ----------
    content
        The report.
    found
        The check it is about; with a loop the page has a desk, unless there are too many corners to carry.

    Returns
    -------
    str
        One HTML file.
    """
    headings = [b for b in content.blocks if isinstance(b, SectionHeading)]
    chapters = [(name, h.text) for name, h in zip(anchors(content), headings, strict=True) if h.level == 1]
    html, live = to_html(content), live_data(found)
    if live is not None:
        page = page_html(html, title=content.title, chapters=chapters, live=live)
        if len(page.encode()) <= MOST_PAGE:
            return page
    left_out = (
        f"The live desk is left out: with {len(found.conditions)} operating points this page would be larger than "
        f"{MOST_PAGE / 1e6:g} MB. A case file with fewer of them has one."
    )
    return page_html(html, title=content.title, chapters=chapters, left_out="" if live is None else left_out)


def page_html(
    content: str,
    *,
    title: str,
    chapters: Sequence[tuple[str, str]] = (),
    live: Mapping[str, Any] | None = None,
    left_out: str = "",
) -> str:
    """Write the page.

    Parameters
    ----------
    content
        The report as HTML with every foreign word escaped: one ``article`` that begins with a ``header``.
    title
        Title of the case.
    chapters
        Anchor and heading of each chapter.
    live
        What `loopdesign.report.live.export.live_data` gathered; None leaves the desk out.
    left_out
        Why there is no desk, where that deserves a word.

    Returns
    -------
    str
        One HTML file.
    """
    from jinja2 import Environment, StrictUndefined  # noqa: PLC0415  (only a report needs it)

    inner = without_styles(content.strip())
    inner = re.sub(r"^<article[^>]*>|</article>$", "", inner)
    head, mark, rest = inner.partition("</header>")
    opening, section, rest = rest.partition("<section")
    style = (HERE / "desk" / "page.css").read_text(encoding="utf-8")
    script = "" if live is None else page_script()
    environment = Environment(undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True, autoescape=True)
    template = environment.from_string((HERE / "desk" / "page.html.j2").read_text(encoding="utf-8"))
    words = {} if live is None else _words(live)
    return template.render(
        policy=_policy(style, script),
        title=printable(title),
        style=style,
        script=script,
        head=head + mark,
        opening=opening,
        rest=section + rest,
        chapters=chapters,
        left_out=left_out,
        data="" if live is None else inert_json(live),
        **words,
    )


@cache
def page_script() -> str:
    """Join the modules into one script: each a function that returns what it exports."""
    pieces = ["const modules = {};"]
    for name in MODULES:
        text = (HERE / name).read_text(encoding="utf-8")
        exported = ", ".join(_EXPORT.findall(text))
        inner = _EXPORT.sub("", _IMPORT.sub(r"const \1 = modules.\2;", text))
        pieces.append(f"modules.{Path(name).stem} = (() => {{\n{inner}\nreturn {{ {exported} }};\n}})();")
    return "\n".join(pieces)


def inert_json(data: Mapping[str, Any]) -> str:
    """Write data as JSON that no HTML parser and no script engine reads as anything else."""
    text = json.dumps(data, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _policy(style: str, script: str) -> str:
    """Content policy that allows this style and this script, and nothing else."""
    allowed = f"script-src {_hash(script)}; " if script else ""
    return f"default-src 'none'; {allowed}style-src {_hash(style)}; base-uri 'none'; form-action 'none'"


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def _words(live: Mapping[str, Any]) -> dict[str, Any]:
    """Words of the desk that are the same whatever the parts."""
    series, step = live["series"], live["load_step"]
    step_words = "a tenth of the load current"
    if step is not None:
        low, high, size = (format_quantity(x, "A") for x in (step["from"], step["to"], step["to"] - step["from"]))
        step_words = f"{size} (as from {low} to {high})"
    targets = ", ".join(_target(x) for x in live["limits"])
    return {
        "network": live["network"],
        "series": f"preferred values ({series['R']['name']}, {series['C']['name']})",
        "step_words": step_words,
        "targets": targets,
        "step_limit": live["step_limit"],
        "ripple_limit": live["ripple_limit"],
    }


def _target(limit: Mapping[str, Any]) -> str:
    """Say one limit of the loop, such as ``phase margin at least 55.0 deg``."""
    words = "crossover" if limit["reading"] == "crossover_hz" else limit["words"]
    side = "at most" if limit["is_highest"] else "at least"
    return f"{words} {side} {format_quantity(limit['value'], limit['unit'])}".strip()
