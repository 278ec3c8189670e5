"""Hold the program's check against the brute-force judge on random designs.

    python tests/independent/judge_random.py --count 1000 --seed 1
    python tests/independent/judge_random.py --count 200 --options delay,blanking,clamp
    python tests/independent/judge_random.py --eight
    python tests/independent/judge_random.py --show 57

Every corner of every design is judged twice: by `loopdesign.check`, and by simulating the converter from equations written by hand.
Disagreements are listed by kind, each with the seed that draws it again. Exit status 1 where there are any.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import tempfile
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
sys.path.insert(0, str(Path(__file__).parent))

from bruteforce.casevalues import corners, read_case  # noqa: E402
from bruteforce.equations import TWO_INDUCTORS  # noqa: E402
from bruteforce.judging import HAIR, grows, judge, settle  # noqa: E402
from bruteforce.orbits import NoOrbitError, highest_output  # noqa: E402
from bruteforce.responses import QUANTITIES, expected  # noqa: E402
from random_designs import OPTIONS, STRATA, TOPOLOGIES, draw  # noqa: E402

SHARES = (0.004, 0.05, 0.41)
"""Frequencies of compared responses, as shares of the switching frequency."""
RESPONSE = 1e-6
"""Largest relative difference of a response."""
DUTY = 1e-6
"""Largest difference of a duty."""
MULTIPLIER = 2e-5
"""Largest difference of the largest multiplier, relative where it is above one."""
REACH = 1e-4
"""Largest relative difference of the highest reachable output."""


@dataclass(frozen=True, kw_only=True)
class Disagreement:
    """One thing that program and judge see differently at one corner of one design."""

    kind: str
    seed: int
    design: str
    corner: str
    told: str

    def __str__(self):
        return f"  seed {self.seed:<6d} {self.design:<22s} {self.corner:<18s} {self.told}"


def engine_rows(text):
    """Ask the program about a case file: one dictionary per corner, or the error that it raised."""
    import loopdesign as ld

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "case.toml"
        path.write_text(text, encoding="utf-8")
        case = ld.load_case(path)
    return ld.check(case, nominal=True).to_rows()


def one_corner(text, current):
    """Return the case file with a single load current."""
    lines = [f"output_current = [{current!r}]" if s.startswith("output_current") else s for s in text.splitlines()]
    return "\n".join(lines) + "\n"


def ask(text, voltage, current):
    """Row of one corner, or the error."""
    try:
        rows = engine_rows(one_corner(text, current))
    except Exception as error:  # noqa: BLE001  (an error of any kind is an answer to judge)
        return None, error
    row = next(r for r in rows if abs(r["input_voltage"] - voltage) < 1e-9 and abs(r["load_current"] - current) < 1e-9)
    return row, None


def responses(p, truth, text, voltage, current, differ):
    """Compare every response of a corner that the converter keeps."""
    import loopdesign as ld

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "case.toml"
        path.write_text(text, encoding="utf-8")
        case = ld.load_case(path)
    hz, found = [x / p.period for x in SHARES], []
    plain = p.output_filter is None and not p.regulated_current
    for quantity in QUANTITIES if plain else ("plant", "loop"):
        seen = ld.response(case, quantity, frequencies_hz=hz, input_voltage=voltage, load_current=current).values
        for f, value in zip(hz, seen, strict=True):
            true = expected(p, truth, quantity, f)
            if true is not None and abs(value / true - 1.0) > RESPONSE:
                found.append(differ(quantity, f"at {f:.6g} Hz {true:.6g}; the program {value:.6g}; {devices(truth)}"))
    return found


def compare(design, voltage, current, *, respond=False):
    """Judge one corner twice; return the judgement's kind and the disagreements."""
    p = read_case(design.text, voltage, current)
    corner = f"{voltage:.4g} V {current:.4g} A"
    label = f"{design.topology} {design.stratum}"

    def differ(kind, told):
        return Disagreement(kind=kind, seed=design.seed, design=label, corner=corner, told=told)

    try:
        truth = judge(p)
    except NoOrbitError as error:
        return "not judged", [differ("not judged", str(error))]
    row, error = ask(design.text, voltage, current)
    kind = "no orbit" if not truth.exists else "not kept" if truth.held else "stable" if truth.stable else "unstable"
    if error is not None:
        return kind, _refusal(p, truth, error, differ)
    found = _row(p, truth, row, differ)
    if respond and truth.exists and not (truth.held or truth.close_call or found):
        found = responses(p, truth, one_corner(design.text, current), voltage, current, differ)
    return kind, found


def _refusal(p, truth, error, differ):
    """What is wrong about a refusal."""
    first = re.sub(r"^\S*case\.toml[:\d]*\s*", "", (str(error) or "no words").splitlines()[0])[:150]
    name = type(error).__name__
    told = f"the program: {name}: {first}"
    if not hasattr(error, "exit_status"):  # an error that the program did not raise on purpose
        return [differ("crash", told)]
    if not truth.exists:  # told impossible while reading already, or by the engine
        return [] if name == "CaseError" or "reach" in truth.close_call else _reach(p, truth, error, differ, told)
    if name == "CaseError":
        return [differ("not modelled" if "not modelled" in first else "case file refused", told)]
    best, duty = highest_output(p)
    makes = f"duty {truth.duty:.6f} makes {truth.average:.6g} (at most {best:.6g} at {duty:.4f}); {_state(truth)}"
    return [differ("false refusal", f"{makes}; {told}")] if best / p.target - 1.0 > HAIR else []


def _reach(p, truth, error, differ, told):
    """Compare the highest output, where the load's kind leaves no doubt what it is."""
    if not hasattr(error, "highest_output"):
        return [differ("refused without the reach", f"highest {truth.highest:.6g}; {told}")]
    found = truth.highest / (p.current_sense or 1.0)
    if p.load_kind in ("resistive", "voltage") and abs(error.highest_output / found - 1.0) > REACH:
        program = f"the program {error.highest_output:.6g} at {error.duty:.4f}"
        return [differ("highest output", f"{found:.6g} at {truth.highest_duty:.4f}; {program}")]
    return []


def _state(truth):
    if truth.held:
        return f"not kept ({', '.join(truth.held)})"
    return f"{'stable' if truth.stable else 'unstable'}, largest multiplier {truth.largest:.6f}"


def _row(p, truth, row, differ):
    """What differs in the answer of one corner."""
    if not truth.exists:
        if "reach" in truth.close_call:
            return []
        told = f"at most {truth.highest:.6g} of {p.target:.6g} at {truth.highest_duty:.4f}; the program: duty {row['duty']:.6f}"
        return [differ("orbit does not exist", told)]
    found = []
    if abs(row["duty"] - truth.duty) > DUTY:
        found.append(differ("duty", f"{truth.duty:.8f}; the program {row['duty']:.8f}; {devices(truth)}"))
    if truth.mode is not None and row["mode"] != truth.mode:
        found.append(differ("mode", f"{truth.mode}; the program {row['mode']}; {devices(truth)}"))
    if truth.close_call:
        return found
    if bool(row["stable"]) != truth.stable:
        what = settle(p, truth) if truth.orbit is not None else None
        seen = "" if what is None else f"; in time: {what.kind}, duties {', '.join(f'{x:.4f}' for x in what.duties)}"
        if not truth.held:
            seen += f"; a disturbance {({True: 'grows', False: 'dies', None: 'hardly changes'})[grows(truth)]}"
        program = f"stable {row['stable']}, {row['largest_multiplier']:.6f}"
        found.append(differ("verdict", f"{_state(truth)}{seen}; the program: {program}; {devices(truth)}"))
    if "held" in row and not (row["held"] is None and not truth.held) and row["held"] not in truth.held:
        found.append(differ("held", f"{', '.join(truth.held) or 'kept'}; the program: {row['held']}"))
    if not truth.held and not _same_multiplier(row["largest_multiplier"], truth):
        told = f"{truth.largest:.7f} (from the edges {truth.largest_by_edges:.7f}); the program {row['largest_multiplier']:.7f}"
        found.append(differ("multiplier", f"{told}; {devices(truth)}"))
    return found


def _same_multiplier(value, truth):
    """Differences of whole periods lose digits where multipliers coincide; the derivative from the edges does not."""
    return any(abs(value - x) <= MULTIPLIER * max(1.0, x) for x in (truth.largest, truth.largest_by_edges))


def devices(truth):
    """Write the sequence of devices with its edge times."""
    words = {(True, False): "on", (False, True): "rectifier", (False, False): "idle", (True, True): "both"}
    told, t = [], 0.0
    for switch, diode, length in truth.sequence:
        t += length
        told.append(f"{words[switch, diode]} to {t:.6f}")
    return ", ".join(told)


def one(arguments):
    """Draw and compare one design; for the pool."""
    seed, topology, stratum, options, *respond = arguments
    design = draw(seed, topology=topology, stratum=stratum, options=options)
    kinds, found = [], []
    for voltage, current in corners(design.text):
        kind, differences = compare(design, voltage, current, respond=bool(respond and respond[0]))
        kinds.append(kind)
        found += differences
    return kinds, found


def eight(topology):
    """Jobs of the short set of one topology: eight designs over all strata, half of them with options."""
    strata = STRATA if topology in TWO_INDUCTORS else STRATA[:4]
    first = 10_000 + 100 * TOPOLOGIES.index(topology)
    return [(first + k, topology, strata[k % len(strata)], OPTIONS if k % 2 else ()) for k in range(8)]


def show(seed, options, topology=None, stratum=None):
    """Print one design, its judgement and the program's answer."""
    design = draw(seed, topology=topology, stratum=stratum, options=options)
    print(design.text)
    for voltage, current in corners(design.text):
        p = read_case(design.text, voltage, current)
        truth = judge(p)
        state = (
            _state(truth)
            if truth.exists
            else f"out of reach: at most {truth.highest:.8g} at duty {truth.highest_duty:.6f}"
        )
        print(f"{voltage:g} V, {current:g} A: {state}")
        if truth.exists:
            print(f"  duty {truth.duty:.8f}; {devices(truth)}; close calls {truth.close_call}; {truth.note}")
        if truth.orbit is not None:
            print(f"  in time: {settle(p, truth)}")
        row, error = ask(design.text, voltage, current)
        keys = ("duty", "mode", "stable", "largest_multiplier", "held")
        print("  the program:", error or {k: row.get(k) for k in keys})


def main():
    """Read the words, run the pool, print what differs."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--topology", choices=TOPOLOGIES)
    parser.add_argument("--stratum", choices=STRATA)
    parser.add_argument("--options", default="", help=f"'all' or a list of: {', '.join(OPTIONS)}")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--most", type=int, default=40, help="lines shown of each kind")
    parser.add_argument("--responses", action="store_true", help="compare plant, loop, line and impedances as well")
    parser.add_argument("--eight", action="store_true", help="the short set: eight designs of each topology")
    parser.add_argument("--show", type=int, metavar="SEED", help="one design, both judgements")
    given = parser.parse_args()
    options = OPTIONS if given.options == "all" else tuple(x for x in given.options.split(",") if x)
    if given.show is not None:
        show(given.show, options, given.topology, given.stratum)
        return 0
    jobs = [
        (s, given.topology, given.stratum, options, given.responses)
        for s in range(given.seed, given.seed + given.count)
    ]
    if given.eight:
        jobs = [job for topology in TOPOLOGIES for job in eight(topology)]
    begin, kinds, found = time.monotonic(), Counter(), []
    with ProcessPoolExecutor(given.workers) as pool:
        for done, (seen, different) in enumerate(pool.map(one, jobs, chunksize=4), start=1):
            kinds.update(seen)
            found += different
            if sys.stderr.isatty():
                print(f"\r{done} of {len(jobs)}", end="", file=sys.stderr)
    print(f"{len(jobs)} designs, {kinds.total()} corners in {time.monotonic() - begin:.0f} s: " + _counts(kinds))
    for kind, count in Counter(d.kind for d in found).most_common():
        print(f"\n{kind}: {count}")
        for d in [d for d in found if d.kind == kind][: given.most]:
            print(d)
    return 1 if found else 0


def _counts(kinds):
    return ", ".join(f"{count} {kind}" for kind, count in kinds.most_common())


if __name__ == "__main__":
    sys.exit(main())
