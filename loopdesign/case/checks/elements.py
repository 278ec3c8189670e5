"""Faults of a stage of the user's own: names, nodes, couplings, switches, and networks that have no solution.

The graph of the elements is examined with every switch and rectifier closed, which joins the most: a node that still
has one end, inductors that still are in series and capacitors that lie in a loop of their own are so always.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from loopdesign.case.checks.problem import InputProblem
from loopdesign.case.tables import custom

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopdesign.case.checks.problem import Sections
    from loopdesign.case.locate import Path
    from loopdesign.case.tables.custom import CustomStage

GROUND, SUPPLY = "0", "supply"
TAKEN = frozenset({
    "R1", "C1", "C2", "R2", "C3", "line", "load", "control", "injection", "sensing", "mirror", "reference", "upper",
    "lower", "amplifier", "collector", "cathode", "Lf", "Cf", "Lfd", "Cfd", "Rfd", "Rs", "Lof", "Cof", "Rofd", "Cofd",
    "load_drop", "load_resistance", "current_sense", "elements", "output", "outputs", "sense", "series", "core", "gm",
    "slope", "sense_gain", "current_limit", "transfer_ratio", "divider",
})  # fmt: skip
"""Names of what surrounds a stage, and of the keys of its table."""


def element_problems(stage: CustomStage, sections: Sections) -> Iterator[InputProblem]:
    """Find what is impossible in a stage of the user's own.

    Parameters
    ----------
    stage : CustomStage
        Table [stage].
    sections : Sections
        All sections that could be read.

    Yields
    ------
    InputProblem
        One for each fault, naming the element.
    """
    named = [*_names(stage), *_outputs(stage)]
    devices = list(_devices(stage, sections))
    yield from named
    yield from devices
    yield from _couplings(stage)
    nodes = list(_nodes(stage))
    yield from nodes
    if not named and not nodes:
        yield from _capacitor_loops(stage)
        yield from _cut_sets(stage)


def _at(stage: CustomStage, name: str) -> Path:
    """Path of an element or a further output in the file."""
    for table in ("elements", "outputs"):
        for k, entry in enumerate(getattr(stage, table)):
            if entry.name == name:
                return ("stage", table, k)
    return ("stage",)


def _ends(stage: CustomStage) -> Iterator[tuple[str, str, str]]:
    """Yield name and nodes of every branch: two-ended elements and the windings of transformers."""
    for e in stage.elements:
        if isinstance(e, custom.TransformerElement):
            yield e.name, *e.primary
            yield e.name, *e.secondary
        elif not isinstance(e, custom.CouplingElement):
            yield e.name, *e.between


def _names(stage: CustomStage) -> Iterator[InputProblem]:
    """Refuse names that stand twice or belong to something else."""
    listed = [e.name for e in (*stage.elements, *stage.outputs)]
    for table in ("elements", "outputs"):
        for k, entry in enumerate(getattr(stage, table)):
            path = ("stage", table, k, "name")
            if listed.count(entry.name) > 1 and (table, k) != ("elements", listed.index(entry.name)):
                yield InputProblem(
                    path=path, message="the name is used twice", found=entry.name, expected="one of its own"
                )
            if entry.name in TAKEN:
                yield InputProblem(
                    path=path, message="the name belongs to a part outside the stage", found=entry.name,
                    expected="another name", hint="R1, C1, C2, R2 and C3 are the compensation network's",
                )  # fmt: skip


def _outputs(stage: CustomStage) -> Iterator[InputProblem]:
    """Ask for a grounded regulated output with a capacitor, and for outputs at nodes that exist."""
    known = {n for _, a, b in _ends(stage) for n in (a, b)} | {GROUND}
    if GROUND not in stage.output or stage.output[0] == stage.output[1]:
        yield InputProblem(
            path=("stage", "output"), message="the regulated output needs one end at node 0", found=_pair(stage.output),
            expected='["out", "0"], or ["0", "out"] for a negative output',
            hint="join the grounds of an isolated stage: for its loop that changes nothing",
        )  # fmt: skip
    for path, pair in [(("stage", "output"), stage.output), *((_at(stage, o.name), o.between) for o in stage.outputs)]:
        for node in pair:
            if node not in known:
                yield InputProblem(
                    path=path, message="no element has this node", found=node, expected=", ".join(sorted(known)),
                )  # fmt: skip
    if not stage.bank:
        yield InputProblem(
            path=("stage", "elements"), message="no capacitor lies across the regulated output",
            found=_pair(stage.output), expected="a capacitor between these nodes",
        )  # fmt: skip
    if not stage.inductors:
        yield InputProblem(path=("stage", "elements"), message="the stage has no inductor", expected="at least one")


def _devices(stage: CustomStage, sections: Sections) -> Iterator[InputProblem]:
    """Ask for one controlled switch, for rectifiers, and for an element that can be sensed."""
    controlled = [s for s in stage.of_kind(custom.SwitchElement) if s.drive == "controlled"]
    for second in controlled[1:]:
        yield InputProblem(
            path=(*_at(stage, second.name), "drive"), message=f"{second.name} is a second controlled switch",
            found=f"{controlled[0].name} and {second.name}", expected="one controlled switch",
            hint='a switch that conducts with it has drive = "follows", one that conducts whenever it does not '
            '"complement"',
        )  # fmt: skip
    if not controlled:
        yield InputProblem(
            path=("stage", "elements"), message="no switch is controlled", expected='one switch without a key "drive"'
        )
    if len(stage.rectifiers) > custom.MOST_RECTIFIERS:
        yield InputProblem(
            path=("stage", "elements"), message="too many rectifiers", found=str(len(stage.rectifiers)),
            expected=f"at most {custom.MOST_RECTIFIERS}",
        )  # fmt: skip
    synchronous = sections.converter is not None and sections.converter.rectifier == "synchronous"
    if not stage.rectifiers and sections.converter is not None and not synchronous:
        yield InputProblem(
            path=("converter", "rectifier"), message="the stage has no rectifier", found='rectifier = "diode"',
            expected='"synchronous", or an element of kind "rectifier"',
        )  # fmt: skip
    branches = {name for name, _, _ in _ends(stage)}
    if stage.sense is not None and stage.sense not in branches:
        yield InputProblem(
            path=("stage", "sense"), message="no element has this name", found=stage.sense,
            expected=", ".join(sorted(branches)),
        )  # fmt: skip
    others = {e.name for e in stage.elements} - {s.name for s in controlled}
    if "switch" in others or (stage.sense not in {None, "switch"} and any(s.name == "switch" for s in controlled)):
        yield InputProblem(
            path=_at(stage, "switch"), message="only a controlled switch that is sensed itself is named switch",
            found="switch", expected='another name, such as "Q1"',
        )  # fmt: skip


def _couplings(stage: CustomStage) -> Iterator[InputProblem]:
    """Refuse couplings of what is no inductor, and of an inductor with two others."""
    count = Counter(name for c in stage.couplings for name in c.of)
    told = set()
    for c in stage.couplings:
        path = (*_at(stage, c.name), "of")
        for name in c.of:
            if name not in stage.inductors:
                yield InputProblem(
                    path=path, message=f"{name} is not an inductor of this stage", found=name,
                    expected=", ".join(stage.inductors),
                )  # fmt: skip
            elif count[name] > 1 and name not in told:
                told.add(name)
                yield InputProblem(
                    path=path, message=f"{name} is coupled with more than one other inductor",
                    found=f"{count[name]} couplings",
                    expected="inductors coupled in pairs",
                    hint="several windings on one core are one inductor with a transformer for every further winding",
                )  # fmt: skip
        if c.of[0] == c.of[1]:
            yield InputProblem(path=path, message="an inductor is coupled with itself", found=c.of[0], expected="two")


def _nodes(stage: CustomStage) -> Iterator[InputProblem]:
    """Refuse elements with both ends at one node, and nodes with one end."""
    count = Counter(n for _, a, b in _ends(stage) for n in (a, b))
    count.update([SUPPLY, GROUND, GROUND, *stage.output, *(n for o in stage.outputs for n in o.between)])
    for name, a, b in _ends(stage):
        if a == b:
            yield InputProblem(
                path=_at(stage, name), message=f"both ends of {name} are at the same node", found=a,
                expected="two different nodes",
            )  # fmt: skip
        for node in (a, b):
            if count[node] == 1:
                yield InputProblem(
                    path=_at(stage, name), message=f"node {node} has one end only, that of {name}", found=node,
                    expected="a node that another element shares", hint=_like(node, count),
                )  # fmt: skip
    if not any(SUPPLY in (a, b) for _, a, b in _ends(stage)):
        yield InputProblem(
            path=("stage", "elements"),
            message=f'no element is connected to node "{SUPPLY}"',
            expected="the input's node",
        )


def _like(node: str, count: Counter[str]) -> str:
    """Point to a node that differs in letter case only."""
    same = [n for n in count if n != node and n.casefold() == node.casefold()]
    return f"did you mean {same[0]}?" if same else ""


class _Groups:
    """Nodes joined by branches, with the branches that joined them."""

    def __init__(self) -> None:
        self.of: dict[str, str] = {}

    def find(self, node: str) -> str:
        """Return the representative of a node's group."""
        while self.of.setdefault(node, node) != node:
            node = self.of[node]
        return node

    def join(self, a: str, b: str) -> bool:
        """Join two nodes; False where they were joined already."""
        first, second = self.find(a), self.find(b)
        self.of[first] = second
        return first != second


def _capacitor_loops(stage: CustomStage) -> Iterator[InputProblem]:
    """Refuse loops of capacitors without series resistance, the source among them."""
    groups = _Groups()
    groups.join(SUPPLY, GROUND)
    seen: list[str] = []
    for c in stage.of_kind(custom.CapacitorElement):
        if c.esr > 0.0:
            continue
        if not groups.join(*c.between):
            others = ", ".join(seen) if seen else "the source"
            yield InputProblem(
                path=(*_at(stage, c.name), "esr"), message=f"{c.name} closes a loop of capacitors without resistance",
                found=f"{c.name} with {others}", expected="an esr above zero for one of them",
            )  # fmt: skip
        seen.append(c.name)


def _cut_sets(stage: CustomStage) -> Iterator[InputProblem]:
    """Refuse nodes that only inductors join with the rest, and parts without a path to ground."""
    whole, without = _joined(stage, inductors=True), _joined(stage, inductors=False)
    floating: dict[str, list[str]] = {}
    cut: dict[str, list[str]] = {}
    for name, node in ((name, node) for name, a, b in _ends(stage) for node in (a, b)):
        if whole.find(node) != whole.find(GROUND):
            floating.setdefault(whole.find(node), []).append(name)
        elif without.find(node) != without.find(GROUND):
            cut.setdefault(without.find(node), []).append(name)
    for names in floating.values():
        told = list(dict.fromkeys(names))
        yield InputProblem(
            path=_at(stage, told[0]), message="has no path to node 0", found=", ".join(told),
            expected="a connection to ground",
            hint="join the grounds of an isolated stage: for its loop that changes nothing",
        )  # fmt: skip
    for names in cut.values():
        coils = [n for n in dict.fromkeys(names) if n in stage.inductors]
        yield InputProblem(
            path=_at(stage, coils[0]), message="only inductors lead there, so that their currents are not free",
            found=" and ".join(coils), expected="one inductor in their place, or a part that carries the difference",
        )  # fmt: skip


def _joined(stage: CustomStage, *, inductors: bool) -> _Groups:
    """Join the nodes by source, loads and every branch, inductors or not."""
    groups = _Groups()
    groups.join(SUPPLY, GROUND)
    for pair in (stage.output, *(o.between for o in stage.outputs)):
        groups.join(*pair)
    for name, a, b in _ends(stage):
        if inductors or name not in stage.inductors:
            groups.join(a, b)
    return groups


def _pair(nodes: tuple[str, str]) -> str:
    """Write a pair of nodes as the file does."""
    return f'["{nodes[0]}", "{nodes[1]}"]'
