"""Error amplifiers, networks, clamp and comparator of the brute-force judge, by hand.

The amplifier senses through a buffer, so that the divider's microamperes are not part of the load.

Transconductance: gm (vref - vfb) into the control pin; there its output resistance, R1 + C1 in series, C2 in parallel.
Operational: one pole, vc' = 2 pi gbw (vref - vfb - vc/A0), output without resistance; R1 + C1 in series and C2 between the feedback
node and the output.  Type III adds R2 + C3 across the upper divider resistor.  Type I is C1 alone.

The clamp is ideal: it holds the control voltage at its limit for as long as the amplifier pushes beyond it.  An operational
amplifier is held in its own pole, as an amplifier whose output is limited.
"""

from __future__ import annotations

import math
from types import SimpleNamespace


def control_states(p):
    """Names of the controller's states."""
    c = p.control
    if c is None:
        return []
    names = []
    if c.kind == "operational":
        names = ["vc"] + (["v2"] if c.c2 else []) + (["v1"] if c.c1 else [])
    else:
        names = (["vc"] if c.c2 else []) + (["v1"] if c.c1 else [])
    names += ["vff"] if c.feedforward else []
    names += ["v3"] if c.c3 else []
    return names


def held_control(z):
    """Control voltage held: a constant."""
    return SimpleNamespace(vc=z.ctl, push=z.zero), {}


def feedback_node(c, z, y):
    """Divider without anything else at the feedback node: its voltage and the rates of C3 and the feed-forward capacitor."""
    if c.upper is None:  # the sense resistance of a regulated current goes straight to the amplifier
        return y, {}
    if c.feedforward:
        vfb = y - z.vff
        current = vfb / c.lower - z.vff / c.upper
        rates = {}
        if c.c3:
            i3 = (z.vff - z.v3) / c.r2
            current = current - i3
            rates["v3"] = i3 / c.c3
        return vfb, rates | {"vff": current / c.feedforward}
    if c.c3:
        vfb = (y / c.upper + (y - z.v3) / c.r2) / (1.0 / c.upper + 1.0 / c.lower + 1.0 / c.r2)
        return vfb, {"v3": (y - vfb - z.v3) / (c.r2 * c.c3)}
    return y * (c.lower / (c.lower + c.upper)), {}


def closed_control(p, z, y, clamp):
    """Control voltage, what pushes it (its rate, or its distance from the limit), and the rates of the controller's states."""
    c = p.control
    return (operational if c.kind == "operational" else transconductance)(c, z, y, clamp)


def _limit(c, z, clamp):
    return (c.clamp[1] if clamp > 0 else c.clamp[0]) * z.one


def transconductance(c, z, y, clamp):
    """See the head of the module."""
    vfb, rates = feedback_node(c, z, y)
    drive = c.gm * (z.ctl - vfb)
    if not c.c1:
        push = (drive - z.vc / c.ro) / c.c2
        return SimpleNamespace(vc=z.vc, push=push), rates | {"vc": z.zero if clamp else push}
    if c.c2:
        push = (drive - z.vc / c.ro - (z.vc - z.v1) / c.r1) / c.c2
        rates |= {"vc": z.zero if clamp else push, "v1": (z.vc - z.v1) / (c.r1 * c.c1)}
        return SimpleNamespace(vc=z.vc, push=push), rates
    free = (drive + z.v1 / c.r1) / (1.0 / c.ro + 1.0 / c.r1)
    vc = _limit(c, z, clamp) if clamp else free
    push = free - vc
    return SimpleNamespace(vc=vc, push=push), rates | {"v1": (vc - z.v1) / (c.r1 * c.c1)}


def operational(c, z, y, clamp):
    """See the head of the module.  With C2 the feedback node lies v2 above the output; without, it is a resistive node."""
    upper_g = 1.0 / c.upper
    rates = {}
    if c.c2:
        vfb = z.vc + z.v2
        current = (y - vfb) * upper_g - vfb / c.lower
        if c.c3:
            i3 = (y - vfb - z.v3) / c.r2
            current = current + i3
            rates["v3"] = i3 / c.c3
        if c.c1:
            i1 = (z.v2 - z.v1) / c.r1
            current = current - i1
            rates["v1"] = i1 / c.c1
        rates["v2"] = current / c.c2
    else:
        conductance = upper_g + 1.0 / c.lower + 1.0 / c.r1 + (1.0 / c.r2 if c.c3 else 0.0)
        vfb = (y * upper_g + ((y - z.v3) / c.r2 if c.c3 else 0.0) + (z.vc + z.v1) / c.r1) / conductance
        rates["v1"] = (vfb - z.vc - z.v1) / (c.r1 * c.c1)
        if c.c3:
            rates["v3"] = (y - vfb - z.v3) / (c.r2 * c.c3)
    push = 2.0 * math.pi * c.gain_bandwidth * (z.ctl - vfb - z.vc / c.dc_gain)
    return SimpleNamespace(vc=z.vc, push=push), rates | {"vc": z.zero if clamp else push}
