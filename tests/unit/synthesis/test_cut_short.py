"""A search of a large lattice that is cut short is never the last word."""

import sys
from types import SimpleNamespace

import pytest

from loopdesign.synthesis.choice.choose import RobustTask
from loopdesign.workers.branch import Branch

MODULE = sys.modules[RobustTask.__module__]  # the room's own name for it is a function


class Rounds(RobustTask):
    """Rounds whose searches are made up: the brief ones are cut short."""

    def __init__(self):
        self.exam = SimpleNamespace(keeping_bandwidth=lambda _: self.exam, holds=lambda *_: True)
        self.tolerances, self.first, self.nominal, self.cut_short = True, None, None, None
        self.case = self.plain = self.stage = None
        self.checks = SimpleNamespace(met=lambda _: True, of=lambda _: "checked")
        self.held = SimpleNamespace(begin=lambda *_: None, beside=lambda _: None)
        self.announced, self.searches = [], []
        self.announce = self.announced.append

    def _opened(self):
        return None

    def _search_for_step(self, *, brief):
        self.searches.append(brief)
        self.cut_short = ("cut", "short", 0) if brief else None
        return SimpleNamespace(parts_of=lambda _: {"R1": 1e3}), 0

    def _listed(self, *_, **__):
        return Branch(lambda: "listed")

    def _ends_of(self, _):
        found = SimpleNamespace(current_loop=SimpleNamespace(stable=SimpleNamespace(all=lambda: True)))
        return SimpleNamespace(likely=None, worst=lambda _: found)


@pytest.mark.parametrize("ends", [(), ("R1",)])
def test_what_was_cut_short_is_completed_with_ends_and_without(ends, monkeypatch):
    monkeypatch.setattr(MODULE, "searched_lattice", lambda _: SimpleNamespace(small=False))
    monkeypatch.setattr(MODULE, "toleranced", lambda *_: ends)
    monkeypatch.setattr(MODULE, "base_of", lambda *_: None)
    monkeypatch.setattr(MODULE, "outcome", lambda *_, **__: "chosen")
    task = Rounds()
    assert task._rounds() == "chosen"
    assert task.searches == [True, False]
    assert task.announced == [{"R1": 1e3}]
