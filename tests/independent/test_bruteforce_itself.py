"""The brute-force judge is itself held against simulations made elsewhere, a second integrator, and conservation of energy.

The sets in `tests/simulated/data` are brute-force simulations with another program's equations and stepping; their accuracy is 1e-5
for plants and 2e-5 for loops.
"""

from __future__ import annotations

import itertools
from pathlib import Path

import numpy as np
import pytest
from bruteforce.casevalues import corners, read_case
from bruteforce.cycles import cycle
from bruteforce.equations import TWO_INDUCTORS
from bruteforce.judging import grows, judge
from bruteforce.orbits import highest_output, jacobian
from bruteforce.responses import injected, sampled
from bruteforce.simulator import Simulator
from random_designs import OPTIONS, TOPOLOGIES, draw

DATA = Path(__file__).parent.parent / "simulated" / "data"
TABLE = {  # duty and largest multiplier that came with the simulations
    "sepic_turn_off_delay": (0.494613, 0.996207),
    "boost_turn_off_delay_closed_loop": (0.640787, 0.926530),
    "boost_output_filter_sensed_before": (0.515868, 0.997778),
    "sepic_output_filter_closed_loop": (0.494622, 0.969834),
    "sepic_regulated_current_closed_loop": (0.511239, 0.985845),
    "sepic_rectifier_twice": (0.049733, 0.993612),
    "sepic_rectifier_twice_closed_loop": (0.069592, 0.990152),
}
OTHERS = (
    "sepic_voltage_mode_undamped", "sepic_peak_current_damped", "sepic_peak_current_dcm", "sepic_coupled_peak_current",
    "flyback_peak_current_dcm", "sepic_coupled_closed_loop",
)  # fmt: skip
ON, RECTIFIER, IDLE = (True, False), (False, True), (False, False)


def simulated(name):
    """Read a set: its operating point's numbers, and rows of frequency, real and imaginary part."""
    text = (DATA / f"{name}.toml").read_text(encoding="utf-8")
    ((voltage, current),) = corners(text)
    return read_case(text, voltage, current), np.loadtxt(DATA / f"{name}.csv", delimiter=",", skiprows=1)


def probing(name):
    """What the analyser did in a set."""
    return (
        {"inject": "loop", "measure": "loop", "closed": True} if name.endswith("closed_loop") else {"inject": "control"}
    )


@pytest.mark.parametrize("name", [*TABLE, *OTHERS])
def test_response_meets_simulations_made_elsewhere(name):
    p, rows = simulated(name)
    found = judge(p)
    assert found.stable
    assert not found.held
    for frequency, re, im in rows[::5]:
        for by_edges in (False, True):
            response = sampled(p, found.orbit, frequency, by_edges=by_edges, **probing(name))
            assert abs(response / complex(re, im) - 1.0) < 2e-5


@pytest.mark.parametrize(
    "name", ["sepic_turn_off_delay", "sepic_rectifier_twice_closed_loop", "sepic_output_filter_closed_loop"]
)
def test_running_sinusoid_meets_simulations_made_elsewhere(name):
    p, rows = simulated(name)
    found = judge(p)
    frequency, re, im = rows[-1]
    response = injected(p, found.orbit, frequency, jacobian=jacobian(found.sim, found.orbit), **probing(name))
    assert abs(response / complex(re, im) - 1.0) < 1e-5


@pytest.mark.parametrize("name", TABLE)
def test_duty_and_multiplier_meet_the_table(name):
    p, _ = simulated(name)
    found = judge(p)
    duty, multiplier = TABLE[name]
    assert found.duty == pytest.approx(duty, abs=6e-7)
    assert found.largest == pytest.approx(multiplier, abs=6e-7)
    assert found.largest_by_edges == pytest.approx(multiplier, abs=6e-7)


def test_rectifier_that_conducts_twice_meets_the_edges_told():
    found = judge(simulated("sepic_rectifier_twice")[0])
    assert [(s, d) for s, d, _ in found.sequence] == [ON, RECTIFIER, IDLE, RECTIFIER, IDLE]
    edges = np.cumsum([length for _, _, length in found.sequence])[:-1]
    np.testing.assert_allclose(edges, [0.049733, 0.097169, 0.228137, 0.368332], atol=6e-7)


def test_load_step_meets_simulation_made_elsewhere():
    p, rows = simulated("sepic_load_step")
    found = judge(p)
    sim, diode = found.sim, found.orbit.diode
    z = sim.start(found.orbit.x, ctl=found.orbit.ctl, isink=0.3)
    for _, mean in rows[:150]:
        done = cycle(sim, z, diode=diode)
        z, diode = done.z, done.diode
        assert z[sim.at["area"]] == pytest.approx(mean, abs=1e-8)


def many_designs(count, seed, options=OPTIONS):
    """Draw designs over every topology, with what options add."""
    return [draw(seed + k, topology=t, options=options) for k in range(count) for t in TOPOLOGIES]


@pytest.mark.parametrize("topology", TOPOLOGIES)
@pytest.mark.parametrize("devices", [*itertools.product((True, False), repeat=2)], ids=str)
def test_equations_conserve_energy(topology, devices):
    """Power into every store equals power supplied less power lost (Tellegen's theorem), with filters and dampers drawn at random."""
    rng = np.random.default_rng(5)
    for seed in range(8):
        text = draw(300 + seed, topology=topology, options=("input_filter", "output_filter", "voltage_load")).text
        p = read_case(text, *corners(text)[0])
        sim = Simulator(p)
        z = sim.start(rng.uniform(-3.0, 3.0, sim.n), ctl=0.5, isink=0.2)
        if devices == IDLE:
            z = sim.opened @ z
        stored, supplied = _power(sim, devices, z)
        assert stored == pytest.approx(supplied, rel=1e-9, abs=1e-9)


def _power(sim, devices, z):
    """Rate of stored energy, and power supplied less power lost, from states, their rates and the device currents only."""
    p, (F, probes) = sim.p, sim.rows(devices, 0)
    dz = F @ z / p.period
    value, rate = ({name: v[k] for name, k in sim.at.items()} for v in (z, dz))
    isw, idd, iin = (probes[k] @ z for k in ("isw", "idd", "iin"))
    capacitors = [("vcs", *p.cs)] if p.cs else []
    capacitors += [("vdp", p.damper[1], p.damper[0])] if p.damper else []
    capacitors += [(f"vo{k}", c, r) for k, (c, r) in enumerate(p.bank)]
    inductors = []
    for f, names in ((p.input_filter, ("iin", "vif", "vid")), (p.output_filter, ("iof", "vof", "vdf"))):
        if f:
            inductors.append((names[0], f.inductance, f.resistance))
            capacitors.append((names[1], f.capacitance, f.esr))
            capacitors += [(names[2], f.damper[1], f.damper[0])] if f.damper else []
    flyback = p.topology == "flyback"
    inductors.append(("i1", p.l1, 0.0 if flyback else p.r1))
    inductors += [("i2", p.l2, p.r2)] if p.topology in TWO_INDUCTORS else []
    stored = sum(c * value[n] * rate[n] for n, c, _ in capacitors) + sum(
        x * value[n] * rate[n] for n, x, _ in inductors
    )
    if p.topology in TWO_INDUCTORS:
        stored += p.m * (value["i1"] * rate["i2"] + value["i2"] * rate["i1"])
    lost = sum(r * (c * rate[n]) ** 2 for n, c, r in capacitors) + sum(r * value[n] ** 2 for n, _, r in inductors)
    lost += p.rsw * isw**2 + (p.vd + p.rd * idd) * idd + (probes["vload"] @ z) * (probes["iload"] @ z)
    lost += p.r1 * isw**2 + p.rsec * idd**2 if flyback else 0.0
    return stored, p.vin * (value["iin"] if p.input_filter else iin) - lost


def test_derivative_from_the_edges_meets_differences():
    """Every edge's own jump, delays and projections included, against central differences of whole periods."""
    seen = 0
    for design in many_designs(2, 40):
        found = judge(read_case(design.text, *corners(design.text)[-1]))
        if found.multipliers is None or found.close_call:
            continue
        done = cycle(
            found.sim, found.sim.start(found.orbit.x, ctl=found.orbit.ctl), diode=found.orbit.diode, derivative=True
        )
        expected = jacobian(found.sim, found.orbit)
        n = found.sim.n
        np.testing.assert_allclose(done.J[:n, :n], expected, atol=1e-6 * np.abs(expected).max())
        seen += 1
    assert seen >= 6


def test_disturbance_in_time_meets_the_multiplier():
    """Stepped from a small disturbance, the orbit is left where the largest multiplier exceeds one, and kept where not."""
    seen = set()
    for design in many_designs(2, 60, ()):
        found = judge(read_case(design.text, *corners(design.text)[-1]))
        if found.multipliers is None or found.close_call or 0.98 < found.largest < 1.02:
            continue
        assert grows(found) is (found.largest > 1.0)
        seen.add(found.stable)
    assert seen == {True, False}


def test_highest_output_meets_the_textbook():
    """B6: boost with inductor resistance r: Vin/2 sqrt(R/r) at D' = sqrt(r/R).

    R. W. Erickson, D. Maksimovic, Fundamentals of Power Electronics, 3rd ed., 2020, chapter 3 (from memory); ripple kept small.
    """
    text = draw(1, topology="boost", stratum="ordinary").text
    p = read_case(text, *corners(text)[0])
    p.synchronous, p.load_kind, p.max_duty = True, "resistive", 0.97
    p.vin, p.vd, p.rd, p.rsw, p.r1, p.l1, p.period = 10.0, 0.0, 1e-9, 1e-9, 0.4, 2e-3, 4e-6
    p.bank, p.load_conductance, p.load_sink, p.target = [(1e-3, 1e-4)], 1.0 / 40.0, 0.0, 20.0
    output, duty = highest_output(p)
    assert output == pytest.approx(50.0, rel=2e-4)
    assert 1.0 - duty == pytest.approx(0.1, abs=2e-3)


def test_draws_repeat_and_differ():
    first, again = many_designs(2, 7), many_designs(2, 7)
    assert first == again
    assert len({d.text for d in first}) == len(first)
