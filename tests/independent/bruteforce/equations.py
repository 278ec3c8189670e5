"""Kirchhoff's equations of seven converters for *every* combination of switch and rectifier, written by hand.

The second set of equations written by hand (the first, `handwritten.py`, knows three intervals only).  Nothing is imported from the
package.  A quantity is a row vector over the state ``z``; sources are states that stay constant, so everything is ``dz/dt = F z``.

Devices.  ``switch`` conducts both ways through its resistance, or not at all.  The rectifier is a constant drop with a resistance,
conducting or blocking; both may conduct at once.  With both blocking, the inductor currents obey a constraint (their sum, or the one
current, is zero).  ``isw`` and ``idd`` are the currents of switch and rectifier, ``forward`` is the voltage over the blocking
rectifier beyond its drop: it starts to conduct where that rises through zero.

Conventions as in `handwritten.py`: ``a`` is the switching node at the first inductor, ``b`` the far side of the coupling capacitor,
``ic`` the current from a to b, ``vab`` the voltage over it; output voltages positive; both inductor currents grow while the switch
conducts.

Every resistive node is written as a Thevenin source: the supply is ``vin - rin iin`` (behind an input filter the capacitor's node,
rin its series resistances in parallel), the coupling branch ``vab0 + rc ic``, the output node ``vo0 + ro inflow``.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

TWO_INDUCTORS = ("sepic", "cuk", "zeta")
INPUT_FROM_SWITCH = ("zeta", "flyback", "buck", "inverting")


class Rows(SimpleNamespace):
    """Named unit rows over the state vector."""

    def __getitem__(self, name):
        return getattr(self, name)


def plant_states(p):
    """Names of the power stage's own states."""
    names = ["i1", "i2"] if p.topology in TWO_INDUCTORS else ["i1"]
    names += ["vcs"] if p.topology in TWO_INDUCTORS else []
    names += ["vdp"] if p.damper else []
    names += [f"vo{k}" for k in range(len(p.bank))]
    if p.output_filter:
        names += ["iof", "vof"] + (["vdf"] if p.output_filter.damper else [])
    if p.input_filter:
        names += ["iin", "vif"] + (["vid"] if p.input_filter.damper else [])
    return names


def supply(p, z):
    """Source seen by the converter: open-circuit voltage, resistance, and the rates of the input filter given the input current.

    Filter: choke (with the source's own impedance in series), capacitor with its series resistance, R-C damper across both.
    """
    f = p.input_filter
    if f is None:
        return z.vin, 0.0, lambda iin: {}
    conductance = 1.0 / f.esr + (1.0 / f.damper[0] if f.damper else 0.0)
    feed = z.iin + z.vif / f.esr + (z.vid / f.damper[0] if f.damper else 0.0)

    def rates(iin):
        v = (feed - iin) / conductance
        found = {"iin": (z.vin - f.resistance * z.iin - v) / f.inductance, "vif": (v - z.vif) / (f.esr * f.capacitance)}
        if f.damper:
            found["vid"] = (v - z.vid) / (f.damper[0] * f.damper[1])
        return found

    return feed / conductance, 1.0 / conductance, rates


def coupling_branch(p, z):
    """Coupling capacitor with its series resistance, the damper across both: open-circuit voltage, resistance, rates given ic."""
    c, r = p.cs
    if p.damper is None:
        return z.vcs, r, lambda ic: {"vcs": ic / c}
    rd, cd = p.damper
    if r == 0.0:
        i_damper = (z.vcs - z.vdp) / rd
        return z.vcs, 0.0, lambda ic: {"vcs": (ic - i_damper) / c, "vdp": i_damper / cd}
    rc = r * rd / (r + rd)
    vab0 = rc * (z.vcs / r + z.vdp / rd)

    def rates(ic):
        vab = vab0 + rc * ic
        return {"vcs": (vab - z.vcs) / (r * c), "vdp": (vab - z.vdp) / (rd * cd)}

    return vab0, rc, rates


def load_node(p, z, inflow):
    """Voltage of the node the load hangs on, its other branches given as (conductance, voltage) pairs in `inflow`.

    Load current: G v + sink.  A drop in series with a resistance has G = 1/R and sink = -drop/R.
    """
    current, conductance = inflow
    return (current - p.load_sink * z.one - z.isink) / (conductance + p.load_conductance), 1.0 / (
        conductance + p.load_conductance
    )


def output(p, z):
    """Output node: open-circuit voltage, resistance, and a function of the inflow that gives voltages and rates.

    Without an output filter the load hangs on the bank; with one, behind the second inductor and capacitor.
    """
    f = p.output_filter
    ideal = len(p.bank) == 1 and p.bank[0][1] == 0.0
    bank_g = 0.0 if ideal else sum(1.0 / r for _, r in p.bank)
    bank_i = z.zero if ideal else sum((z[f"vo{k}"] / r for k, (_, r) in enumerate(p.bank)), z.zero)
    if f is None:
        if ideal:
            vo0, ro = z.vo0, 0.0
        else:
            vo0, ro = load_node(p, z, (bank_i, bank_g))
    else:
        vo0, ro = (z.vo0, 0.0) if ideal else ((bank_i - z.iof) / bank_g, 1.0 / bank_g)

    def rates(inflow):
        vo = vo0 + ro * inflow
        found = {}
        if f is None:
            vl = vo
            leaving = p.load_conductance * vo + p.load_sink * z.one + z.isink
        else:
            g = 1.0 / f.esr + (1.0 / f.damper[0] if f.damper else 0.0)
            branches = z.iof + z.vof / f.esr + (z.vdf / f.damper[0] if f.damper else 0.0)
            vl, _ = load_node(p, z, (branches, g))
            leaving = z.iof
            found["iof"] = (vo - f.resistance * z.iof - vl) / f.inductance
            found["vof"] = (vl - z.vof) / (f.esr * f.capacitance)
            if f.damper:
                found["vdf"] = (vl - z.vdf) / (f.damper[0] * f.damper[1])
        if ideal:
            found["vo0"] = (inflow - leaving) / p.bank[0][0]
        else:
            found |= {f"vo{k}": (vo - z[f"vo{k}"]) / (r * c) for k, (c, r) in enumerate(p.bank)}
        i_load = p.load_conductance * vl + p.load_sink * z.one + z.isink
        voltage = vl if p.sense_after else vo
        sensed = p.current_sense * i_load if p.current_sense else voltage
        return SimpleNamespace(vo=vo, vload=vl, iload=i_load, sensed=sensed), found

    return vo0, ro, rates


def pair(p, u1, u2):
    """Solve L1 i1' + M i2' = u1 and M i1' + L2 i2' = u2 by Cramer's rule."""
    det = p.l1 * p.l2 - p.m * p.m
    return {"i1": (p.l2 * u1 - p.m * u2) / det, "i2": (p.l1 * u2 - p.m * u1) / det}


def two_inductors(p, z, switch, diode):
    """SEPIC, Cuk and Zeta.  The sum of both currents divides between switch and rectifier in all three.

    SEPIC  source - L1 - a; switch a to ground; Cs a to b; L2 ground to b; rectifier b to output.
    Cuk    the same up to b; rectifier b to ground; L2 from the (negative) output terminal to b.
    Zeta   source - switch - a; L1 a to ground; Cs a to b; rectifier ground to b; L2 b to output.
    """
    vs, rin, supply_rates = supply(p, z)
    vab0, rc, cs_rates = coupling_branch(p, z)
    vo0, ro, out_rates = output(p, z)
    total, drop, kind = z.i1 + z.i2, p.vd * z.one, p.topology
    if not switch and not diode:
        return _two_idle(p, z, (vs, rin, supply_rates), (vab0, rc, cs_rates), out_rates)
    if not switch:
        isw, idd = z.zero, total
    elif not diode:
        isw, idd = total, z.zero
    elif kind == "sepic":  # rsw isw - vab(i1 - isw) = drop + rd idd + vo(idd)
        isw = (drop + vab0 + vo0 + rc * z.i1 + (p.rd + ro) * total) / (p.rsw + rc + p.rd + ro)
        idd = total - isw
    elif kind == "cuk":  # rsw isw - vab(i1 - isw) = drop + rd idd
        isw = (drop + vab0 + rc * z.i1 + p.rd * total) / (p.rsw + rc + p.rd)
        idd = total - isw
    else:  # vin - (rin + rsw) isw - vab(isw - i1) = -drop - rd idd
        isw = (vs - vab0 + rc * z.i1 + drop + p.rd * total) / (rin + p.rsw + rc + p.rd)
        idd = total - isw
    out, rates = out_rates(idd if kind == "sepic" else z.i2)
    ic = isw - z.i1 if kind == "zeta" else z.i1 - isw
    vab = vab0 + rc * ic
    iin = isw if kind == "zeta" else z.i1
    vin = vs - rin * iin
    beyond = {"sepic": out.vo, "cuk": z.zero, "zeta": z.zero}[kind]  # cathode of the rectifier (SEPIC, Cuk)
    if switch:
        va = vin - p.rsw * isw if kind == "zeta" else p.rsw * isw
        vb = va - vab
    else:
        vb = -drop - p.rd * idd if kind == "zeta" else drop + p.rd * idd + beyond
        va = vb + vab
    forward = (-vb if kind == "zeta" else vb - beyond) - drop
    if kind == "sepic":
        currents = pair(p, vin - p.r1 * z.i1 - va, -vb - p.r2 * z.i2)
    elif kind == "cuk":
        currents = pair(p, vin - p.r1 * z.i1 - va, -out.vo - vb - p.r2 * z.i2)
    else:
        currents = pair(p, va - p.r1 * z.i1, vb - out.vo - p.r2 * z.i2)
    rates = rates | supply_rates(iin) | cs_rates(ic) | currents
    return rates, SimpleNamespace(isw=isw, idd=idd, iin=iin, forward=forward, **vars(out))


def _two_idle(p, z, source, coupling, out_rates):
    """Both devices block: one loop through both inductors, i2 = -i1; node b floats and its voltage follows from L2's equation."""
    (vs, rin, supply_rates), (vab0, rc, cs_rates) = source, coupling
    out, rates = out_rates({"sepic": z.zero, "cuk": z.i2, "zeta": z.i2}[p.topology])
    ic = z.i2 if p.topology == "zeta" else z.i1
    iin = z.zero if p.topology == "zeta" else z.i1
    vab, loop = vab0 + rc * ic, p.l1 + p.l2 - 2.0 * p.m
    if p.topology == "zeta":  # L1 backwards, Cs, L2, output
        di2 = (-vab - out.vo - (p.r1 + p.r2) * z.i2) / loop
        di1 = -di2
        vb = out.vo + p.r2 * z.i2 + p.l2 * di2 + p.m * di1
        forward = -vb
    else:
        far = out.vo if p.topology == "cuk" else z.zero
        di1 = (vs - rin * iin + far - (p.r1 + p.r2) * z.i1 - vab) / loop
        di2 = -di1
        vb = -far - p.r2 * z.i2 - p.l2 * di2 - p.m * di1
        forward = vb - (out.vo if p.topology == "sepic" else z.zero)
    rates = rates | supply_rates(iin) | cs_rates(ic) | {"i1": di1, "i2": di2}
    probes = SimpleNamespace(isw=z.zero, idd=z.zero, iin=iin, forward=forward - p.vd * z.one, **vars(out))
    return rates, probes


def one_inductor(p, z, switch, diode):
    """Boost, flyback, buck and inverting converter.  The inductor's current divides between switch and rectifier.

    boost      source - L1 - a; switch a to ground; rectifier a to output.
    buck       source - switch - a; rectifier ground to a; L1 a to output.
    inverting  source - switch - a; L1 a to ground; rectifier from the (negative) output to a.
    flyback    source - r1 - L1 (magnetising) - switch to ground; secondary 1 : n - rsec - rectifier - output;
               i1 = isw + n idd, and the primary's resistance carries the primary's current only.
    """
    vs, rin, supply_rates = supply(p, z)
    vo0, ro, out_rates = output(p, z)
    kind, drop = p.topology, p.vd * z.one
    n = p.turns if kind == "flyback" else 1.0
    alone = z.i1 if switch else z.zero
    isw = _shared(p, z, vs, rin, vo0, ro) if switch and diode else alone
    idd = (z.i1 - isw) / n if diode else z.zero
    iin = isw if kind in INPUT_FROM_SWITCH else z.i1
    vin = vs - rin * iin
    out, rates = out_rates(z.i1 if kind == "buck" else idd)
    rd = p.rd + (p.rsec if kind == "flyback" else 0.0)
    if not switch and not diode:
        at_rest = {"boost": vs - out.vo, "buck": -out.vo, "inverting": -out.vo, "flyback": -out.vo}[kind]
        return rates | supply_rates(iin) | {"i1": z.zero}, SimpleNamespace(
            isw=isw, idd=idd, iin=iin, forward=at_rest - drop, **vars(out)
        )
    if kind == "boost":
        va = p.rsw * isw if switch else drop + rd * idd + out.vo
        u, forward = vin - p.r1 * z.i1 - va, va - out.vo - drop
    elif kind == "buck":
        va = vin - p.rsw * isw if switch else -drop - rd * idd
        u, forward = va - p.r1 * z.i1 - out.vo, -va - drop
    elif kind == "inverting":
        va = vin - p.rsw * isw if switch else -drop - rd * idd - out.vo
        u, forward = va - p.r1 * z.i1, -out.vo - va - drop
    else:
        u = vin - (p.r1 + p.rsw) * isw if switch else -(drop + rd * idd + out.vo) / n
        forward = -n * u - out.vo - drop
    rates = rates | supply_rates(iin) | {"i1": u / p.l1}
    return rates, SimpleNamespace(isw=isw, idd=idd, iin=iin, forward=forward, **vars(out))


def _shared(p, z, vs, rin, vo0, ro):
    """Switch current where switch and rectifier conduct at once; each line is the voltage law around both devices."""
    drop = p.vd * z.one
    if p.topology == "boost":  # rsw isw = drop + rd idd + vo(idd)
        return (drop + vo0 + (p.rd + ro) * z.i1) / (p.rsw + p.rd + ro)
    if p.topology == "buck":  # vin - (rin + rsw) isw = -drop - rd idd
        return (vs + drop + p.rd * z.i1) / (rin + p.rsw + p.rd)
    if p.topology == "inverting":  # vin - (rin + rsw) isw = -drop - rd idd - vo(idd)
        return (vs + drop + vo0 + (p.rd + ro) * z.i1) / (rin + p.rsw + p.rd + ro)
    n, rs = p.turns, p.rd + p.rsec + ro  # n (vin - (rin + r1 + rsw) isw) = -drop - rs idd - vo0, idd = (i1 - isw)/n
    return (n * vs + drop + vo0 + rs * z.i1 / n) / (n * (rin + p.r1 + p.rsw) + rs / n)


def stage(p, z, switch, diode):
    """Rates of the power stage's states and its probes for one combination of conducting devices."""
    return (two_inductors if p.topology in TWO_INDUCTORS else one_inductor)(p, z, switch, diode)


def opened(p, names):
    """Matrix that brings a state onto the constraint of two blocking devices, as the voltage impulse over the inductors does.

    One impulse acts on both inductors alike: L1 di1 + M di2 = M di1 + L2 di2, with the sum of the currents brought to zero.
    """
    R = np.eye(len(names))
    i1 = names.index("i1")
    if p.topology not in TWO_INDUCTORS:
        R[i1, i1] = 0.0
        return R
    i2 = names.index("i2")
    along = np.array([p.l2 - p.m, p.l1 - p.m]) / (p.l1 + p.l2 - 2.0 * p.m)
    R[i1, [i1, i2]] = [1.0 - along[0], -along[0]]
    R[i2, [i1, i2]] = [-along[1], 1.0 - along[1]]
    return R
