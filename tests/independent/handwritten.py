"""Kirchhoff's equations of each converter, derived by hand, as the independent side of the comparison tests.

Nothing here is imported from the package and nothing is shared with it.  Every equation is written for one named topology and one
named set of conducting devices, the way one writes it on paper.  A quantity is a row vector over the state ``z``: a sum of
quantities is a sum of rows, and the rows of all derivatives stacked make the matrix ``F`` of ``dz/dt = F z``.  Sources are states
that stay constant, so the equations stay linear and homogeneous.

Conventions.  ``a`` is the switching node at the first inductor, ``b`` the far side of the coupling capacitor, ``ic`` the current
from a to b through it, ``vab`` the voltage over it.  Output voltages are counted positive also where the node is negative.
``i1`` and ``i2`` are counted so that both grow while the switch conducts, which is also what makes positive coupling positive.

Intervals: ``on`` (switch conducts), ``off`` (diode conducts), ``idle`` (neither: the diode current has reached zero).
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

TWO_INDUCTORS = ("sepic", "cuk", "zeta")
ONE_INDUCTOR = ("boost", "flyback", "buck", "inverting")


def output_node(p, z, inflow):
    """Voltage of the output node and the charging rates of the output bank, given the current that flows into the node.

    Capacitor k: (vo - vk)/rk.  Load: vo G + sink.  The divider senses without loading, as in the stored data; a real one draws
    microamperes, which moves a loop gain by 1e-4 or less.
    """
    conductance = p.load_conductance + sum(1.0 / r for _, r in p.bank)
    current = inflow - p.load_sink * z.one - z.isink
    for k, (_, r) in enumerate(p.bank):
        current = current + z[f"vo{k}"] / r
    vo = current / conductance
    rates = {f"vo{k}": (vo - z[f"vo{k}"]) / (r * c) for k, (c, r) in enumerate(p.bank)}
    return vo, rates


def coupling_branch(p, z, ic):
    """Voltage over the coupling capacitor with its series resistance, the damper (if any) across both, and their rates."""
    c, r = p.cs
    if p.damper is None:
        return z.vcs + r * ic, {"vcs": ic / c}
    rd, cd = p.damper
    if r == 0.0:
        vab = z.vcs
        i_damper = (vab - z.vdp) / rd
        return vab, {"vcs": (ic - i_damper) / c, "vdp": i_damper / cd}
    vab = (ic + z.vcs / r + z.vdp / rd) / (1.0 / r + 1.0 / rd)
    return vab, {"vcs": (vab - z.vcs) / (r * c), "vdp": (vab - z.vdp) / (rd * cd)}


def coupled_pair(p, u1, u2):
    """Solve L1 i1' + M i2' = u1 and M i1' + L2 i2' = u2 by Cramer's rule."""
    det = p.l1 * p.l2 - p.m * p.m
    return {"i1": (p.l2 * u1 - p.m * u2) / det, "i2": (p.l1 * u2 - p.m * u1) / det}


def sepic(p, z, mode):
    """Source - L1 - a; switch a to ground; Cs a to b; L2 ground to b (i2 flows up into b); diode b to output."""
    if mode == "on":  # b carries only i2 back through Cs; the switch takes both currents
        ic, isw, idd = -z.i2, z.i1 + z.i2, z.zero
        vo, rates = output_node(p, z, idd)
        vab, more = coupling_branch(p, z, ic)
        va = p.rsw * isw
        vb = va - vab
    elif mode == "off":  # Cs carries i1, the diode both
        ic, isw, idd = z.i1, z.zero, z.i1 + z.i2
        vo, rates = output_node(p, z, idd)
        vab, more = coupling_branch(p, z, ic)
        vb = p.vd * z.one + p.rd * idd + vo
        va = vb + vab
    else:  # one loop: source, L1, Cs, L2 backwards; i2 = -i1
        isw, idd = z.zero, z.zero
        vo, rates = output_node(p, z, idd)
        vab, more = coupling_branch(p, z, z.i1)
        di = (z.vin - (p.r1 + p.r2) * z.i1 - vab) / (p.l1 + p.l2 - 2.0 * p.m)
        return rates | more | {"i1": di, "i2": -di}, SimpleNamespace(vo=vo, isw=isw, idd=idd, iin=z.i1, vab=vab)
    pair = coupled_pair(p, z.vin - p.r1 * z.i1 - va, -vb - p.r2 * z.i2)
    return rates | more | pair, SimpleNamespace(vo=vo, isw=isw, idd=idd, iin=z.i1, vab=vab)


def cuk(p, z, mode):
    """Source - L1 - a; switch a to ground; Cs a to b; diode b to ground; L2 from the (negative) output to b.

    i2 flows from the output terminal into b, so -vo - vb drives L2 and i2 is what the load receives, counted positive.
    """
    vo, rates = output_node(p, z, z.i2)
    if mode == "on":
        ic, isw, idd = -z.i2, z.i1 + z.i2, z.zero
        vab, more = coupling_branch(p, z, ic)
        va = p.rsw * isw
        vb = va - vab
    elif mode == "off":
        ic, isw, idd = z.i1, z.zero, z.i1 + z.i2
        vab, more = coupling_branch(p, z, ic)
        vb = p.vd * z.one + p.rd * idd
        va = vb + vab
    else:  # i1 = ic = -i2; the two inductor equations subtracted remove the floating node voltage
        vab, more = coupling_branch(p, z, z.i1)
        di = (z.vin + vo - (p.r1 + p.r2) * z.i1 - vab) / (p.l1 + p.l2 - 2.0 * p.m)
        return rates | more | {"i1": di, "i2": -di}, SimpleNamespace(vo=vo, isw=z.zero, idd=z.zero, iin=z.i1, vab=vab)
    pair = coupled_pair(p, z.vin - p.r1 * z.i1 - va, -vo - vb - p.r2 * z.i2)
    return rates | more | pair, SimpleNamespace(vo=vo, isw=isw, idd=idd, iin=z.i1, vab=vab)


def zeta(p, z, mode):
    """Source - switch - a; L1 a to ground; Cs a to b; diode ground to b; L2 b to output."""
    vo, rates = output_node(p, z, z.i2)
    if mode == "on":
        ic, isw, idd = z.i2, z.i1 + z.i2, z.zero
        vab, more = coupling_branch(p, z, ic)
        va = z.vin - p.rsw * isw
        vb = va - vab
    elif mode == "off":
        ic, isw, idd = -z.i1, z.zero, z.i1 + z.i2
        vab, more = coupling_branch(p, z, ic)
        vb = -p.vd * z.one - p.rd * idd
        va = vb + vab
    else:  # i1 circulates backwards through Cs and L2 into the output
        vab, more = coupling_branch(p, z, z.i2)
        di = (-vab - vo - (p.r1 + p.r2) * z.i2) / (p.l1 + p.l2 - 2.0 * p.m)
        return rates | more | {"i1": -di, "i2": di}, SimpleNamespace(vo=vo, isw=z.zero, idd=z.zero, iin=z.zero, vab=vab)
    pair = coupled_pair(p, va - p.r1 * z.i1, vb - vo - p.r2 * z.i2)
    return rates | more | pair, SimpleNamespace(vo=vo, isw=isw, idd=idd, iin=isw, vab=vab)


def boost(p, z, mode):
    """Source - L1 - a; switch a to ground; diode a to output."""
    idd = z.i1 if mode == "off" else z.zero
    isw = z.i1 if mode == "on" else z.zero
    vo, rates = output_node(p, z, idd)
    va = p.rsw * isw if mode == "on" else p.vd * z.one + p.rd * idd + vo
    di = z.zero if mode == "idle" else (z.vin - p.r1 * z.i1 - va) / p.l1
    return rates | {"i1": di}, SimpleNamespace(vo=vo, isw=isw, idd=idd, iin=z.i1)


def flyback(p, z, mode):
    """Magnetising current i1 seen from the primary; ideal transformer 1 : n; the primary resistance sees primary current only."""
    isw = z.i1 if mode == "on" else z.zero
    idd = z.i1 / p.turns if mode == "off" else z.zero
    vo, rates = output_node(p, z, idd)
    if mode == "on":
        di = (z.vin - (p.r1 + p.rsw) * z.i1) / p.l1
    elif mode == "off":
        di = -(p.vd * z.one + (p.rd + p.rsec) * idd + vo) / (p.turns * p.l1)
    else:
        di = z.zero
    return rates | {"i1": di}, SimpleNamespace(vo=vo, isw=isw, idd=idd, iin=isw)


def buck(p, z, mode):
    """Source - switch - a; diode ground to a; L1 a to output."""
    isw = z.i1 if mode == "on" else z.zero
    idd = z.i1 if mode == "off" else z.zero
    vo, rates = output_node(p, z, z.i1)
    va = z.vin - p.rsw * isw if mode == "on" else -p.vd * z.one - p.rd * idd
    di = z.zero if mode == "idle" else (va - p.r1 * z.i1 - vo) / p.l1
    return rates | {"i1": di}, SimpleNamespace(vo=vo, isw=isw, idd=idd, iin=isw)


def inverting(p, z, mode):
    """Source - switch - a; L1 a to ground; diode from the negative output to a.  vo counts positive."""
    isw = z.i1 if mode == "on" else z.zero
    idd = z.i1 if mode == "off" else z.zero
    vo, rates = output_node(p, z, idd)
    va = z.vin - p.rsw * isw if mode == "on" else -(p.vd * z.one + p.rd * idd + vo)
    di = z.zero if mode == "idle" else (va - p.r1 * z.i1) / p.l1
    return rates | {"i1": di}, SimpleNamespace(vo=vo, isw=isw, idd=idd, iin=isw)


TOPOLOGIES = {f.__name__: f for f in (sepic, cuk, zeta, boost, flyback, buck, inverting)}


def transconductance_type2(p, z, vo):
    """Divider, transconductance stage with output resistance, R1 + C1 to ground, C2 in parallel (no clamp, no current limit).

    gm (vref - vfb) = vc/ro + (vc - v1)/R1 + C2 vc';  C1 v1' = (vc - v1)/R1.  Without C2 the node equation is algebraic.
    """
    vfb = (vo + z.inj_loop) * p.divider_ratio
    drive = p.gm * (z.vref - vfb)
    if p.c2 == 0.0:
        vc = (drive + z.v1 / p.rz) / (1.0 / p.ro + 1.0 / p.rz)
        return vc, {"v1": (vc - z.v1) / (p.rz * p.c1)}
    i_series = (z.vc - z.v1) / p.rz
    return z.vc, {"vc": (drive - z.vc / p.ro - i_series) / p.c2, "v1": i_series / p.c1}


class Rows(SimpleNamespace):
    """Named unit rows over the state vector."""

    def __getitem__(self, name):
        return getattr(self, name)


def parameters(case, *, input_voltage=None, load_current=None, closed=False):
    """Plain numbers of one operating point from a dictionary laid out like the case file (SI numbers only)."""
    stage, spec, mod = case["stage"], case["specification"], case["modulator"]
    vo, io = spec["output_voltage"], spec["output_current"][0] if load_current is None else load_current
    kind = spec.get("load", "resistive")
    conductance, sink = {"resistive": (io / vo, 0.0), "current": (0.0, io), "power": (-io / vo, 2.0 * io)}[kind]
    p = SimpleNamespace(
        topology=case["converter"]["topology"],
        period=1.0 / case["converter"]["switching_frequency"],
        diode=case["converter"].get("rectifier", "diode") == "diode",
        vin=spec["input_voltage"][0] if input_voltage is None else input_voltage,
        target=vo, load_conductance=conductance, load_sink=sink,
        l1=stage["L1"]["inductance"], r1=stage["L1"].get("resistance", 0.0),
        rsw=stage["switch"]["resistance"], vd=stage["diode"]["drop"], rd=stage["diode"]["resistance"],
        turns=stage.get("turns", 1.0), rsec=stage.get("secondary_resistance", 0.0),
        l2=0.0, r2=0.0, m=0.0, cs=None, damper=None, closed=closed,
        max_duty=mod.get("max_duty", 0.97),
    )  # fmt: skip
    bank = stage["Co"] if isinstance(stage["Co"], list) else [stage["Co"]]
    p.bank = [(c["capacitance"], c["esr"]) for c in bank]
    if p.topology in TWO_INDUCTORS:
        p.l2, p.r2 = stage["L2"]["inductance"], stage["L2"].get("resistance", 0.0)
        p.m = stage.get("coupling", 0.0) * np.sqrt(p.l1 * p.l2)
        p.cs = (stage["Cs"]["capacitance"], stage["Cs"].get("esr", 0.0))
        if "damper" in stage:
            p.damper = (stage["damper"]["resistance"], stage["damper"]["capacitance"])
    current_mode = mod["scheme"] == "peak current"
    p.sense = mod["sense_gain"] if current_mode else 0.0
    p.slope = mod["slope"] if current_mode else mod["ramp"] / p.period
    if closed:
        _read_loop(p, case)
    return p


def _read_loop(p, case):
    amp, net, div = case["error_amplifier"], case["compensation"], case["divider"]
    p.gm, p.ro, p.reference = amp["gm"], amp["output_resistance"], amp["reference"]
    upper = div.get("upper", div["lower"] * (p.target / p.reference - 1.0))
    p.divider_ratio = div["lower"] / (div["lower"] + upper)
    p.rz, p.c1 = net["R1"], net["C1"]
    p.c2 = 0.0 if net["C2"] == "none" else net["C2"]
