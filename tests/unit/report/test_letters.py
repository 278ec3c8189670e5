"""Words set letter by letter stand where matplotlib puts them, and matplotlib loaded without help draws the same."""

from __future__ import annotations

import importlib.util
import subprocess
import sys

import pytest
from matplotlib.font_manager import FontProperties

from loopdesign.report.drawing import letters

WORDS = (
    "phase margin 55.6 deg at 36 V, 1.5 A", "AVATAR Ty.", "fit of the coil", "Ω µ \N{MINUS SIGN}1.5 °", "10\u207b\u00b2",
    "gjpqy", "", " ", "a b ", "\u65e5",
)  # fmt: skip

DRAWN = """
import sys
{first}
from loopdesign.report.basics.sheet import SheetHeading, SheetLayout, panels
from loopdesign.report.content.pictures import svg_of
figure, grid = panels(SheetHeading(title="A", about="8 V"), SheetLayout(rows=1, columns=1, heights=(1.3,), above=0.4))
grid.ravel()[0].plot([1.0, 2.0, 4.0], [3.0, 1.0, 2.0], label="first")
grid.ravel()[0].legend()
sys.stdout.write(svg_of(figure))
from matplotlib.lines import Line2D
class Dashed(Line2D):
    pass
sys.stderr.write(f"{{len(Line2D.set.__doc__ or '')}} {{len(Dashed.set.__doc__ or '')}}")
"""


@pytest.mark.parametrize("weight", ["normal", "bold"])
@pytest.mark.filterwarnings("ignore:Glyph")
def test_words_are_set_as_matplotlib_sets_them(weight):
    face = FontProperties(weight=weight, size=letters.EM)
    if not hasattr(letters._known(*letters._face(face)).font, "_layout"):
        pytest.skip("this matplotlib sets words letter by letter itself")
    for words in WORDS:
        ours, theirs = (letters._known.__wrapped__(*letters._face(face)) for _ in range(2))
        assert letters._laid(words, ours) == letters._set_by_matplotlib(words, theirs)
        assert list(ours.outlines) == list(theirs.outlines)
        for name, (points, codes) in ours.outlines.items():
            assert (points == theirs.outlines[name][0]).all()
            assert (codes == theirs.outlines[name][1]).all()


def test_words_keep_their_size_where_others_used_the_font():
    face = FontProperties()
    usual = letters._set.__wrapped__("1.5 A", *letters._face(face))
    letters._known(*letters._face(face)).font.set_size(7.0, 72)
    assert letters._set.__wrapped__("1.5 A", *letters._face(face)) == usual


def test_letters_are_set_where_fonts_have_no_layout_of_their_own(monkeypatch):
    """A matplotlib older than 3.10 has neither that nor flags for loading a letter."""
    face = FontProperties()
    usual = letters.letters_of("AV 1.5", face)
    monkeypatch.delattr("matplotlib.ft2font.LoadFlags")
    spec = importlib.util.spec_from_file_location("older_letters", letters.__file__)
    older = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "older_letters", older)
    spec.loader.exec_module(older)
    known = older._known(*older._face(face))
    assert older._set_by_matplotlib("AV 1.5", known).places == usual.places


def drawn(first):
    done = subprocess.run(
        [sys.executable, "-c", DRAWN.format(first=first)], capture_output=True, check=True, text=True, timeout=120
    )
    return done.stdout, [int(n) for n in done.stderr.split()]


def test_loading_without_help_leaves_pictures_and_later_classes_as_they_are():
    usual, (help_, later) = drawn("")
    lean, (no_help, later_too) = drawn("import loopdesign.report.drawing.loaded")
    assert lean == usual
    assert min(help_, later) > 1000
    assert no_help < 100
    assert later_too == pytest.approx(later, abs=50)
