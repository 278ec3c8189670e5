"""Netlist to state space: against equations written by hand and against nodal analysis in the frequency domain."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose
from stages import SEPIC, trap, two_inductor

from loopdesign.errors import CircuitError
from loopdesign.network.circuit import derive
from loopdesign.network.converter import PROBES, network
from loopdesign.network.elements import (
    Amplifier,
    Capacitor,
    Coupling,
    CurrentSource,
    Diode,
    Inductor,
    Resistor,
    Switch,
    Transconductor,
    Transformer,
    VoltageSource,
)

NOTHING = (frozenset(),)


def matrices(net, k=0, item=0):
    """A, B, C, D of one configuration in SI units."""
    c, s, T = net.configurations[k], net.state_scale[item], net.period[item]
    return (
        c.A[item] / s[:, None] * s[None, :] / T,
        c.B[item] / s[:, None] / T,
        c.C[item] * s[None, :],
        c.D[item],
    )


def transfer(net, s, output=0, column=0, k=0, item=0):
    """Transfer function at one complex frequency."""
    A, B, C, D = matrices(net, k, item)
    return (C @ np.linalg.solve(s * np.eye(len(A)) - A, B) + D)[output, column]


def source(a="in"):
    return VoltageSource(name="V", a=a, b="0")


def test_resistive_divider_needs_no_states():
    parts = (
        source(),
        Resistor(name="R1", a="in", b="m", resistance=3e3),
        Resistor(name="R2", a="m", b="0", resistance=1e3),
    )
    net = derive(parts, NOTHING, ("v(m)", "v(in,m)", "i(R1)", "i(V)"), period=1.0)
    assert net.states == ()
    assert_allclose(net.configurations[0].D[0, :, 0], [0.25, 0.75, 0.25e-3, -0.25e-3], rtol=1e-12)


def test_low_pass_with_series_resistances():
    parts = (
        source(),
        Inductor(name="L", a="in", b="m", inductance=10e-6, resistance=0.2),
        Capacitor(name="C", a="m", b="0", capacitance=22e-6, esr=0.05),
    )
    net = derive(parts, NOTHING, ("v(m)", "i(L)", "i(C)", "v(C)"), period=3e-6)
    assert net.states == ("i(L)", "v(C)")
    s = 2j * np.pi * 7e3
    Z = 0.05 + 1 / (s * 22e-6)
    total = 0.2 + s * 10e-6 + Z
    assert_allclose(transfer(net, s), Z / total, rtol=1e-12)
    assert_allclose(transfer(net, s, output=1), 1 / total, rtol=1e-12)
    assert_allclose(transfer(net, s, output=2), 1 / total, rtol=1e-12)
    assert_allclose(net.state_scale[0], np.sqrt([10e-6, 22e-6]))


def test_coupled_inductors():
    """Secondary shorted leaves L1 (1 - k^2); secondary open gives k sqrt(L2/L1). Sign: currents into both dots add flux."""
    pair = (
        source(),
        Inductor(name="L1", a="in", b="0", inductance=40e-6),
        Inductor(name="L2", a="s", b="0", inductance=10e-6),
        Coupling(name="K", first="L1", second="L2", coefficient=0.9),
    )
    loads = {"open": 1e9, "short": 1e-9}
    s = 2j * np.pi * 100e3
    nets = {
        name: derive((*pair, Resistor(name="R", a="s", b="0", resistance=r)), NOTHING, ("v(s)", "i(L1)"), period=1e-6)
        for name, r in loads.items()
    }
    assert_allclose(transfer(nets["open"], s), 0.9 * 0.5, rtol=1e-6)
    assert_allclose(1 / transfer(nets["short"], s, output=1), s * 40e-6 * (1 - 0.81), rtol=1e-6)


def test_controlled_sources_and_transformer():
    parts = (
        source(),
        Transconductor(name="G", a="0", b="m", plus="in", minus="0", gm=2e-3),
        Resistor(name="R", a="m", b="0", resistance=1e3),
        Amplifier(name="E", a="e", b="0", plus="m", minus="in", gain=5.0),
        Transformer(name="T", a="e", b="0", c="t", d="0", turns=0.5),
        Resistor(name="RT", a="t", b="0", resistance=10.0),
    )
    net = derive(parts, NOTHING, ("v(m)", "v(e)", "v(t)", "i(T)", "i(E)"), period=1.0)
    # m = gm R in = 2, e = 5 (2 - 1), t = e / 2, secondary 0.25 A, primary 0.125 A out of the amplifier
    assert_allclose(net.configurations[0].D[0, :, 0], [2.0, 5.0, 2.5, 0.125, -0.125], rtol=1e-12)


def test_diode_drop_and_device_resistances():
    parts = (
        source(),
        Switch(name="S", a="in", b="m", resistance=0.5),
        Diode(name="D", a="m", b="out", resistance=0.25),
        Resistor(name="R", a="out", b="0", resistance=9.25),
        Resistor(name="leak", a="m", b="0", resistance=1e6),
    )
    net = derive(parts, (frozenset({"S", "D"}), frozenset({"S"})), ("i(D)", "i(S)"), period=1.0)
    assert net.inputs == ("V", "D")
    on = net.configurations[0].D[0]
    assert_allclose(on[0], [0.1, -0.1], rtol=1e-5)  # (V - drop) / 10 ohm
    assert_allclose(net.configurations[1].D[0, 0], [0.0, 0.0], atol=1e-15)


def sepic_by_hand():
    """On, off and idle equations of the trap SEPIC with a 12 ohm load, states i1 (into a), i2 (ground to b), vs, vo."""
    L, r, C1, e1, C2, e2, rs, rd, R = 22e-6, 0.03, 4e-6, 0.005, 100e-6, 0.01, 0.02, 0.02, 12.0
    share = R / (R + e2)
    out_v, out_z = share, e2 * share  # v(out) = share vo + (e2 || R) i(diode)
    F = np.diag([1 / L, 1 / L, 1 / C1, 1 / C2])
    # on: v(a) = rs (i1 + i2); capacitor from a to b carries -i2 (current of L2 leaves b towards a)
    on = F @ np.array(
        [
            [-r - rs, -rs, 0, 0],
            [-rs, -r - rs - e1, 1, 0],
            [0, -1, 0, 0],
            [0, 0, 0, -1 / (R + e2)],
        ]
    )
    # off: diode carries i1 + i2, v(b) = drop + rd (i1 + i2) + v(out); capacitor carries i1, v(a) = v(b) + vs + e1 i1
    z = rd + out_z
    off = F @ np.array(
        [
            [-r - z - e1, -z, -1, -out_v],
            [-z, -r - z, 0, -out_v],
            [1, 0, 0, 0],
            [share, share, 0, -1 / (R + e2)],
        ]
    )
    # idle: i2 = -i1, both inductors in series with the capacitor: 2 L di1/dt = Vin - (2 r + e1) i1 - vs
    idle = F @ np.array(
        [
            [-(2 * r + e1) / 2, 0, -0.5, 0],
            [(2 * r + e1) / 2, 0, 0.5, 0],
            [1, 0, 0, 0],
            [0, 0, 0, -1 / (R + e2)],
        ]
    )
    line = np.array([[1 / L, 0, 0, 0], [1 / L, 0, 0, 0], [0.5 / L, -0.5 / L, 0, 0]])
    drop = np.array([[0, 0, 0, 0], [-1 / L, -1 / L, 0, 0], [0, 0, 0, 0]])
    return (on, off, idle), line, drop


def test_sepic_equations():
    """All three configurations of a lossy SEPIC equal Kirchhoff's equations written by hand."""
    net = network(trap(13.0))
    assert net.states == ("i(L1)", "i(L2)", "v(Cs)", "v(Co)")
    hand, line, drop = sepic_by_hand()
    on_plane = np.array([[1, -1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]], float).T  # states that the idle constraint allows
    for k, expected in enumerate(hand):
        A, B, _, _ = matrices(net, k)
        allowed = on_plane if k == 2 else np.eye(4)
        scale = np.abs(expected).max(axis=1)[:, None]
        assert_allclose(A @ allowed / scale, expected @ allowed / scale, atol=1e-10)
        assert_allclose(B[:, net.input_index("line")], line[k], rtol=1e-9, atol=1e-4)
        assert_allclose(B[:, net.input_index("diode")], drop[k], rtol=1e-9, atol=1e-4)


def test_sepic_idle_constraint():
    """In discontinuous conduction the inductor currents add to nothing, and stay so."""
    net = network(trap(13.0))
    idle = net.configurations[2]
    row = idle.constraint[0, 0] * net.state_scale[0]
    assert idle.constraint.shape == (1, 1, 4)
    assert_allclose(row / row[0], [1.0, 1.0, 0.0, 0.0], atol=1e-12)
    assert_allclose(idle.constraint_input, 0.0, atol=1e-12)
    assert_allclose(idle.constraint[0] @ idle.A[0], 0.0, atol=1e-12)
    assert_allclose(idle.constraint[0] @ idle.B[0], 0.0, atol=1e-12)


def test_idle_constraint_of_unequal_coupled_inductors():
    """With coupling the common current sees L1 + L2 - 2 M: both windings in series, opposing."""
    stage = two_inductor(100e-6, 50e-6, 22e-6, 220e-6, coupling=0.6)
    parts = (
        VoltageSource(name="line", a="supply", b="0"),
        *SEPIC.netlist(stage),
        Resistor(name="R", a="out", b="0", resistance=5.0),
    )
    net = derive(parts, (frozenset({"switch"}), frozenset({"diode"}), frozenset()), ("v(out)",), period=1e-5)
    _, B, _, _ = matrices(net, 2)
    M = 0.6 * np.sqrt(100e-6 * 50e-6)
    column = B[:, net.input_index("line")]
    assert_allclose(column[:2], np.array([1.0, -1.0]) / (150e-6 - 2 * M), rtol=1e-10)


@given(seed=st.integers(0, 100_000), count=st.integers(2, 5), relative=st.floats(0.01, 100.0))
def test_random_networks_against_nodal_admittance(seed, count, relative):
    """Impedances seen from one node to every other, against the complex nodal admittance matrix solved directly."""
    rng = np.random.default_rng(seed)
    nodes = [f"n{i}" for i in range(count)]
    s = 2j * np.pi * 10e3 * relative
    Y = np.zeros((count + 1, count + 1), complex)
    parts = [CurrentSource(name="I", a="0", b="n0")]

    def add(a, b, y):
        i, j = (count if n == "0" else nodes.index(n) for n in (a, b))
        Y[[i, j], [i, j]] += y
        Y[[i, j], [j, i]] -= y

    for n in nodes:
        r = 10.0 ** rng.uniform(-1, 5)
        parts.append(Resistor(name=f"R{n}", a=n, b="0", resistance=r))
        add(n, "0", 1 / r)
    for k in range(2 * count):
        a, b = rng.choice([*nodes, "0"], 2, replace=False)
        value, r = 10.0 ** rng.uniform(-7, -3), 10.0 ** rng.uniform(-3, 1)
        if rng.random() < 0.5:
            parts.append(Inductor(name=f"L{k}", a=a, b=b, inductance=value, resistance=r))
            add(a, b, 1 / (r + s * value))
        else:
            parts.append(Capacitor(name=f"C{k}", a=a, b=b, capacitance=value, esr=r))
            add(a, b, 1 / (r + 1 / (s * value)))
    a, b, plus, minus = rng.choice([*nodes, "0"], 4)
    gm = 1e-3 * rng.normal()
    if a != b and plus != minus:
        parts.append(Transconductor(name="G", a=a, b=b, plus=plus, minus=minus, gm=gm))
        rows = [count if n == "0" else nodes.index(n) for n in (a, b, plus, minus)]
        for row, sign in ((rows[0], 1), (rows[1], -1)):
            Y[row, rows[2]] += sign * gm
            Y[row, rows[3]] -= sign * gm
    expected = np.linalg.solve(Y[:count, :count], np.eye(count)[:, 0])
    net = derive(parts, NOTHING, [f"v({n})" for n in nodes], period=1e-5)
    found = np.array([transfer(net, s, output=i) for i in range(count)])
    assert_allclose(found, expected, rtol=1e-6, atol=1e-8 * np.abs(expected).max())


def test_batch_equals_item_by_item():
    L, C, T = np.array([10e-6, 22e-6, 47e-6]), np.array([1e-6, 2e-6, 4e-6]), np.array([1e-6, 2e-6, 5e-6])

    def build(L, C, T):
        parts = (
            source(),
            Inductor(name="L", a="in", b="m", inductance=L, resistance=0.1),
            Capacitor(name="C", a="m", b="0", capacitance=C, esr=0.02),
            Resistor(name="R", a="m", b="0", resistance=5.0),
        )
        return derive(parts, NOTHING, ("v(m)",), period=T)

    whole = build(L, C, T)
    for k in range(3):
        one, kept = build(L[k], C[k], T[k]), whole.take(np.array([k]))
        for name in ("A", "B", "C", "D"):
            assert_allclose(getattr(kept.configurations[0], name), getattr(one.configurations[0], name), rtol=1e-13)
        assert_allclose(kept.state_scale, one.state_scale)
        assert kept.period[0] == T[k]


def test_large_and_small_parts_in_one_network():
    """Picofarads at a megohm beside a millifarad at milliohms: both time constants come out to many digits."""
    parts = (
        source(),
        Resistor(name="R1", a="in", b="x", resistance=1e6),
        Capacitor(name="C1", a="x", b="0", capacitance=10e-12, esr=1e-3),
        Resistor(name="R2", a="in", b="y", resistance=5e-3),
        Capacitor(name="C2", a="y", b="0", capacitance=1e-3, esr=1e-3),
    )
    A, _, _, _ = matrices(derive(parts, NOTHING, ("v(x)",), period=1e-6))
    assert_allclose(np.sort(-1 / np.diag(A)), np.sort([6e-3 * 1e-3, (1e6 + 1e-3) * 10e-12]), rtol=1e-9)


def test_ideal_capacitor_loop_is_refused():
    parts = (
        source(),
        Resistor(name="R", a="in", b="m", resistance=1.0),
        Capacitor(name="Ca", a="m", b="0", capacitance=1e-6),
        Capacitor(name="Cb", a="m", b="0", capacitance=2e-6),
    )
    with pytest.raises(
        CircuitError, match=r"loop of capacitors without resistance \(Ca, Cb\); give one of them an esr"
    ):
        derive(parts, NOTHING, ("v(m)",), period=1.0)


def test_ideal_capacitor_across_a_source_is_refused():
    parts = (source(), Capacitor(name="Cin", a="in", b="0", capacitance=1e-6))
    with pytest.raises(CircuitError, match=r"loop of capacitors without resistance \(Cin\)"):
        derive(parts, NOTHING, ("v(in)",), period=1.0)


def test_floating_node_is_refused():
    parts = (
        source(),
        Resistor(name="R", a="in", b="0", resistance=1.0),
        Resistor(name="Rx", a="x", b="y", resistance=1.0),
    )
    with pytest.raises(CircuitError, match="no path to ground from x, y"):
        derive(parts, NOTHING, ("v(in)",), period=1.0)


def test_sources_in_a_loop_are_refused():
    parts = (source(), VoltageSource(name="W", a="in", b="0"))
    with pytest.raises(CircuitError, match="ideal voltage sources in a loop"):
        derive(parts, NOTHING, ("v(in)",), period=1.0)


def test_inductors_in_series_are_refused():
    parts = (
        source(),
        Inductor(name="La", a="in", b="m", inductance=1e-6),
        Inductor(name="Lb", a="m", b="out", inductance=1e-6),
        Resistor(name="R", a="out", b="0", resistance=1.0),
    )
    with pytest.raises(CircuitError, match=r"in series.*merge them"):
        derive(parts, NOTHING, ("v(out)",), period=1.0)


def test_unknown_probe_and_doubled_name_are_refused():
    R = Resistor(name="R", a="in", b="0", resistance=1.0)
    with pytest.raises(CircuitError, match=r"no probe 'i\(Q\)'"):
        derive((source(), R), NOTHING, ("i(Q)",), period=1.0)
    with pytest.raises(CircuitError, match="used twice: R"):
        derive((source(), R, R), NOTHING, ("v(in)",), period=1.0)


def test_two_batch_axes_are_refused():
    R = Resistor(name="R", a="in", b="0", resistance=np.ones((2, 3)))
    with pytest.raises(CircuitError, match="one batch axis"):
        derive((source(), R), NOTHING, ("v(in)",), period=1.0)


def test_sepic_without_any_series_resistance_is_fine():
    """A lossless stage has no ideal capacitor loop: inductors and devices stand between."""
    bare = two_inductor(22e-6, 22e-6, 4e-6, 100e-6)
    parts = (VoltageSource(name="line", a="supply", b="0"), *SEPIC.netlist(bare))
    net = derive(parts, (frozenset({"switch"}), frozenset({"diode"}), frozenset()), ("v(out)",), period=1e-6)
    assert np.isfinite(net.configurations[1].A).all()
    assert network(trap(13.0)).outputs == PROBES
