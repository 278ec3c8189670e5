"""Step the switched network through one clock period after another, edge by edge, exactly.

The clock turns the switch on; the comparator, the current limit, the largest duty or the minimum on-time turns it off.
Blanking hides the comparators; one that is tripped when the blanking ends trips at that instant. The switch opens a
turn-off delay after the trip, and at the largest duty at the latest. The rectifier opens where its current reaches zero
and conducts where its forward voltage reaches its drop, whatever the switch does. The limits of the error amplifier are
devices of the same netlist:

- A transconductance amplifier beyond its output current limit is a current source of that limit; it leaves the limit
  where its input would ask for less.
- A clamp of the control pin is a rectifier of ``CLAMP_RESISTANCE`` whose drop is the clamp voltage, from the control
  pin to ground and from ground to the control pin. With an operational amplifier it sits inside the amplifier, at the
  capacitor that makes its pole, so that the amplifier itself does not wind up; its network still does, as a real one.

A pulse is skipped where a comparator is tripped at the clock already and neither a minimum on-time nor blanking is
given; with one of them, every clock makes at least that pulse. A sensed current that is too large shows itself only
once the switch conducts, so that a turn-off delay leaves a pulse of its length; a control voltage at or below zero
trips before the clock and leaves none.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.errors import ConvergenceError
from loopdesign.network.circuit import SwitchedNetwork, derive
from loopdesign.network.converter import PROBES, netlist, physical_probe
from loopdesign.network.elements import GROUND, CurrentSource, Element, Inductor, Switch, Transconductor
from loopdesign.orbit.stepping.abreast.motions import Motions
from loopdesign.orbit.stepping.commutation import commutated
from loopdesign.orbit.stepping.devices import (
    NOTHING,
    OPPOSITE,
    ROUNDING,
    TRIPS,
    Action,
    ControlLimits,
    Cycle,
    Devices,
    Guard,
    Segment,
    Setting,
    yielding,
)
from loopdesign.orbit.stepping.guards import Watchman, clamp_devices, clamp_node

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.stepping.devices import Ended
    from loopdesign.orbit.stepping.knee import LoadKnee
    from loopdesign.orbit.stepping.motion import Motion

MOST_EVENTS = 300
"""Edges in one period beyond which devices chatter."""


class CycleStepper:
    """A converter at one operating point, stepped cycle by cycle.

    Parameters
    ----------
    converter
        Batch of one, loop open or closed.
    inputs
        Value of every input by name: sources [V] or [A] and the diode's drop [V].
    limits
        What bounds the controller; ignored with the loop open, but for the minimum on-time.
    probes
        Further quantities that ``watch`` and ``dense`` shall know.
    knee
        Below which voltage the load draws less; None for one that is linear everywhere.
    """

    def __init__(
        self,
        converter: Converter,
        inputs: Mapping[str, float],
        limits: ControlLimits | None = None,
        *,
        probes: tuple[str, ...] = (),
        knee: LoadKnee | None = None,
    ) -> None:
        self.converter = converter
        self.knee = knee
        self.limits = ControlLimits() if limits is None else limits
        self.delay = converter.turn_off_delay / converter.period
        self.min_on = self.limits.min_on_time / converter.period
        self.armed_at = max(converter.blanking / converter.period, self.min_on - self.delay)
        """Instant from which the comparators are heard [periods]; before it, none."""
        self.max_duty = max(converter.max_duty, self.min_on, self.armed_at)
        base = netlist(converter)
        closed = converter.compensation is not None
        self.amplifier = next((e for e in base if isinstance(e, Transconductor) and e.name == "amplifier"), None)
        self.bounded = closed and self.limits.output_current is not None and self.amplifier is not None
        self.clamps = clamp_devices(base, self.limits) if closed else {}
        self.clamp_node = clamp_node(base)
        extra = [*self.clamps.values()]
        self.elements: dict[bool, tuple[Element, ...]] = {False: (*base, *extra)}
        if self.bounded:
            source = CurrentSource(name="amplifier limit", a=GROUND, b="control")
            self.elements[False] = (*base, *extra, source)
            self.elements[True] = tuple(replace(e, gm=0.0) if e is self.amplifier else e for e in self.elements[False])
        self.inductors = tuple(e.name for e in base if isinstance(e, Inductor))
        self.switches = tuple(e.name for e in base if isinstance(e, Switch))
        self.stage = converter.topology.devices
        self.logical = {p: physical_probe(converter, base, p) for p in (*PROBES, *self.stage.probes)}
        self.probes = list(dict.fromkeys(self.logical.values()))
        self.probes += ["v(reference,feedback)"] if self.bounded else []
        self.probes += [f"i({e.name})" for e in self.clamps.values()]
        self.probes += [f"v({self.clamp_node})"] if self.clamp_node != "control" else []
        wanted = (*probes, *(f"i({name})" for name in self.switches))
        self.probes += [p for p in wanted if p not in self.probes]
        self.watchman = Watchman(
            converter=converter, limits=self.limits, amplifier=self.amplifier if self.bounded else None,
            clamps=self.clamps, clamp_node=self.clamp_node, probes=self.logical, knee=knee,
        )  # fmt: skip
        self.settings: dict[Devices, Setting] = {}
        self.warm: dict[Devices, float] = {}
        self.stale: set[Devices] = set()
        """Pieces that have not taken over the inputs as they are now."""
        self.values = dict(inputs)
        self.network: SwitchedNetwork = self._derive(Devices(switch=True, diode=self.stage.while_closed))
        self.states, self.scale = self.network.states, self.network.state_scale[0]
        self.yielding = yielding(base, self.states)

    def set_inputs(self, **changes: float) -> None:
        """Change inputs by name, from now on."""
        self.values |= changes
        self.stale = set(self.settings)

    def drive(self, devices: Devices) -> NDArray[np.float64]:
        """Input vector (p,) for a set of devices."""
        values = dict(self.values)
        if self.bounded:
            values["amplifier limit"] = devices.amplifier * (self.limits.output_current or 0.0)
        if self.knee is not None and not devices.load:
            values |= dict.fromkeys(self.knee.silent, 0.0)
        values |= {"clamp high": self.limits.highest or 0.0, "clamp low": -(self.limits.lowest or 0.0)}
        return np.array([values.get(name, 0.0) for name in self.network.inputs])

    def _derive(self, devices: Devices) -> SwitchedNetwork:
        """Derive the network for a set of devices."""
        on = self.stage.named(closed=devices.switch, mask=devices.diode)
        on |= {self.clamps[devices.clamp].name} if devices.clamp else frozenset()
        elements = self.elements[devices.amplifier != 0]
        elements = elements if devices.load or self.knee is None else self.knee.below(elements)
        return derive(elements, (on,), self.probes, period=self.converter.period, series=True)

    def setting(self, devices: Devices) -> Setting:
        """Return the linear piece of a set of devices, derived when first asked for."""
        found = self.settings.get(devices)
        if devices in self.stale and found is not None:
            self.stale.discard(devices)
            found.follow(self.drive(devices))
        if found is None:
            network = self._derive(devices)
            guards = self.watchman.guards(network, devices)
            out = network.output_index(self.logical["v(out)"])
            found = Setting(network.configurations[0], guards, out, self.drive(devices), self.yielding)
            self.settings[devices] = found
        return found

    def cycle(self, x: NDArray[np.float64], devices: Devices, trace: list[Segment] | None = None) -> Cycle:
        """Step one clock period.

        Parameters
        ----------
        x, devices
            Normalised state (n,) [unitless] and devices just before the clock.
        trace
            List that takes every motion between edges, for drawing.

        Returns
        -------
        Cycle
            What happened.

        Raises
        ------
        ConvergenceError
            Where devices chatter.
        """
        motion, devices, ended = self._clock(x, devices)
        clocked, theta, integral, duty = devices, 0.0, 0.0, 0.0
        lowest, highest, idle, limited = np.inf, -np.inf, False, False
        opens: float | None = None  # a turn-off under way after its trip
        undo: tuple[Action, int] | None = None
        for _ in range(MOST_EVENTS):
            guards = self.setting(devices).guards
            armed = devices.switch and theta >= self.armed_at and opens is None
            horizon = self._horizon(devices, theta, opens)
            heard = guards if armed or not devices.switch else guards[: -self.comparators]
            fresh = next((k for k, g in enumerate(heard) if (g.action, g.value) == undo), None)
            event = motion.first(len(heard), horizon - theta, self.warm.get(devices), fresh)
            undo = None
            span = horizon - theta if event is None else event[1]
            if trace is not None:
                trace.append(
                    Segment(begin=theta, length=span, devices=devices, x=x, guard=-1 if event is None else event[0])
                )
            low, high = motion.extremes(span)
            x, rows, part = motion.at(span)
            integral += part
            lowest, highest = min(lowest, low, rows[-1]), max(highest, high, rows[-1])
            limited = limited or bool(devices.amplifier or devices.clamp)
            theta = horizon if event is None else theta + span
            if event is None and theta >= 1.0:
                break
            before = devices
            if event is not None:
                self.warm[devices] = span
                action, value = guards[event[0]][:2]
                undo = (OPPOSITE[action], value) if action in OPPOSITE else None
                idle = idle or (self.stage.plain and action == "diode off")
                if action in TRIPS:
                    ended = "comparator" if action == "trip" else "current limit"
                    opens = min(theta + self.delay, self.max_duty)
                    motion = self.setting(devices).piece.move(x, theta)
                    if opens <= theta:
                        motion, devices = self._turn_off(x, devices, theta)
                else:
                    motion, devices = self._act(guards[event[0]], x, devices, theta)
            elif armed or opens is not None:
                ended = ended if opens is not None else "largest duty"
                motion, devices = self._turn_off(x, devices, theta)
            else:
                motion = self.setting(devices).piece.move(x, theta)
            x = motion.x
            idle = idle or self._rests(devices)
            if before.switch and not devices.switch:
                duty = theta
        else:
            raise ConvergenceError("devices chatter: more than a few hundred edges within one period")
        if ended == "comparator" and self.armed_at and duty <= self.armed_at + self.delay + ROUNDING:
            ended = "minimum on-time"
        return Cycle(
            x=x, devices=devices, clocked=clocked, mean=integral, lowest=lowest, highest=highest, duty=duty,
            ended=ended, idle=idle or not clocked.switch or not (devices.switch or devices.diode), limited=limited,
        )  # fmt: skip

    @property
    def comparators(self) -> int:
        """How many guards end the on-time."""
        return 1 if self.limits.current_limit is None else 2

    def _horizon(self, devices: Devices, theta: float, opens: float | None) -> float:
        """Instant [periods] up to which nothing but a guard can happen."""
        if not devices.switch:
            return 1.0
        if opens is not None:
            return opens
        return self.max_duty if theta >= self.armed_at else self.armed_at

    def _clock(self, x: NDArray[np.float64], devices: Devices) -> tuple[Motion, Devices, Ended]:
        """Turn the switch on, unless the comparator is tripped already and nothing asks for a shortest pulse."""
        motion, on = self.clocked(x, devices)
        tripped = not self.armed_at and max(motion.start[-1 - self.comparators : -1]) >= 0.0
        if tripped and (not self.delay or self.watch(devices, x[None], ("v(control)",))[0, 0] <= NOTHING):
            return self.setting(devices).piece.move(x), devices, "skipped"
        return motion, on, "comparator"

    def clocked(self, x: NDArray[np.float64], devices: Devices) -> tuple[Motion, Devices]:
        """Turn the switch on, whatever the comparators say, from a normalised state (n,) [unitless]."""
        on = devices.set(switch=True, diode=self.stage.while_closed)
        if self.commutes:
            return commutated(self.setting, x, on, 0.0, count=len(self.stage.rectifiers))
        return self.setting(on).piece.move(x), on

    def _turn_off(self, x: NDArray[np.float64], devices: Devices, theta: float) -> tuple[Motion, Devices]:
        """Turn the switch off; the rectifier takes over where it would carry a forward current."""
        off = devices.set(switch=False, diode=self.stage.while_open)
        if self.commutes:
            return commutated(self.setting, x, off, theta, count=len(self.stage.rectifiers), opened=True)
        motion = self.setting(off).piece.move(x, theta)
        if self.converter.synchronous or motion.start[-2] < 0.0:
            return motion, off
        return self._blocked(x, off, theta)

    def _blocked(self, x: NDArray[np.float64], devices: Devices, theta: float) -> tuple[Motion, Devices]:
        """Stop the rectifier, whatever the switch does."""
        blocked = devices._replace(diode=False)
        setting = self.setting(blocked)
        return setting.piece.move(setting.project(x), theta), blocked

    def _act(self, guard: Guard, x: NDArray[np.float64], devices: Devices, theta: float) -> tuple[Motion, Devices]:
        """Change the devices as a guard asks."""
        if self.commutes and guard.action in OPPOSITE:
            devices = devices._replace(diode=devices.diode ^ (1 << guard.value))
            count = len(self.stage.rectifiers)
            return commutated(self.setting, x, devices, theta, count=count, moved=guard.value)
        if guard.action == "diode off":
            return self._blocked(x, devices, theta)
        if guard.action == "diode on":
            devices = devices._replace(diode=True)
        elif guard.action == "limit":
            devices = devices._replace(amplifier=guard.value)
        elif guard.action == "load":
            devices = devices._replace(load=guard.value)
        else:
            devices = devices._replace(clamp=guard.value)
        return self.setting(devices).piece.move(x, theta), devices

    @property
    def commutes(self) -> bool:
        """Whether several rectifiers, or one that conducts with the switch, take over from each other."""
        return not (self.stage.plain or self.converter.synchronous)

    def _rests(self, devices: Devices) -> bool:
        """Whether one of several rectifiers that carry the off-time does not conduct in it."""
        return self.commutes and not devices.switch and self.stage.resting(int(devices.diode))

    def watch(self, devices: Devices, x: NDArray[np.float64], probes: tuple[str, ...]) -> NDArray[np.float64]:
        """Probes (N,q) [V], [A] at states (N,n) that share a set of devices."""
        c = self.setting(devices).c
        out = np.empty((len(x), len(probes)))
        for q, name in enumerate(probes):
            if name in self.states:
                k = self.states.index(name)
                out[:, q] = x[:, k] / self.scale[k]
            else:
                k = self.network.output_index(self.logical.get(name, name))
                out[:, q] = x @ c.C[0, k] + c.D[0, k] @ self.drive(devices)
        return out

    def dense(
        self, segment: Segment, count: int, probes: tuple[str, ...]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Instants (count,) [periods since the clock] and probes (count,q) along one motion."""
        piece, t = self.setting(segment.devices).piece, np.linspace(0.0, segment.length, count)
        if piece.good:
            x = Motions(piece, np.repeat(segment.x[None], count, axis=0), np.full(count, segment.begin)).along(t)
        else:
            motion = piece.move(segment.x, segment.begin)
            x = np.array([motion.at(float(v))[0] for v in t])
        return segment.begin + t, self.watch(segment.devices, x, probes)
