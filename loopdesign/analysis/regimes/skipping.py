"""A converter that skips pulses, stepped in rounds of bursts until two of them tell the same."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.regimes.light import SKIPS, LightLoad
from loopdesign.orbit.stepping.pauses import Pauses

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.orbit.stepping.cycle import CycleStepper
    from loopdesign.orbit.stepping.devices import Devices, Segment
    from loopdesign.orbit.stepping.energy import Ledger

BURSTS = 16
"""Bursts that are looked at in each round."""
PERIODS = 600
"""Periods with a pulse, or in between, that a round steps at most."""
ROUNDS = 8
STEADY = 1e-4
"""Change of the mean output from one round to the next, relative, at which the run counts as steady."""
STEADY_SHARE = 0.05
"""The same of the share of periods with a pulse, relative."""
SIMPSON = np.array([1.0, 4.0, 1.0]) / 6.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """Some periods of one kind: with a pulse, or a pause. Output [V], control voltage [V].

    A period with a pulse has its motions and the state at its end; a pause its devices, and the states at its clocks.
    """

    periods: int
    pulse: bool
    mean: float
    lowest: float
    highest: float
    control: float
    trace: tuple[Segment, ...] = ()
    end: NDArray[np.float64] | None = None
    devices: Devices | None = None
    clocks: NDArray[np.float64] | None = None


class SkippingRun:
    """A run of periods, pauses passed at once, in rounds of bursts."""

    def __init__(self, stepper: CycleStepper, x: NDArray[np.float64], devices: Devices) -> None:
        self.stepper, self.x, self.devices = stepper, x, devices
        self.pauses = Pauses(stepper)
        self.stretches: list[Stretch] = []
        self.period = float(stepper.converter.period)

    @property
    def mean(self) -> float:
        """Mean output [V] of the last round."""
        periods = np.array([s.periods for s in self.stretches])
        return float(periods @ [s.mean for s in self.stretches] / periods.sum())

    def rounds(self) -> LightLoad | None:
        """Run until two rounds of bursts tell the same; None where no pulse is skipped."""
        before: tuple[float, float] | None = None
        found: LightLoad | None = None
        silent = 0
        for _ in range(ROUNDS):
            self.advance(PERIODS, BURSTS)
            silent = 0 if any(not s.pulse for s in self.stretches) else silent + 1
            if silent > 1:
                return None
            bursts = _bursts(self.stretches)
            if len(bursts) <= 1:
                continue
            found, share = self._described(bursts)
            now = (found.mean_output_v or 0.0, share)
            if before is not None and _same(now, before):
                return found
            before = now
        return None if found is None else replace(found, steady=False)

    def energy_error(self, ledger: Ledger) -> float:
        """Book the energies of the last round; return the share of the input that is missing [unitless]."""
        for stretch in self.stretches:
            if stretch.end is not None:
                ledger.add(stretch.trace, stretch.end)
            elif stretch.devices is not None and stretch.clocks is not None:
                ledger.rest(self.stepper, stretch.devices, stretch.clocks)
        return ledger.balance(self.stepper).of_source

    def advance(self, stretches: int, bursts: int | None = None) -> None:
        """Step a number of periods with a pulse or in between, and pass pauses; keep what happened in ``stretches``.

        Parameters
        ----------
        stretches
            Most stretches [unitless].
        bursts
            Bursts after which the round is over [unitless]; None where there is no such end.
        """
        self.stretches, begun, resting = [], 0, False
        for _ in range(stretches):
            pause = self.pauses.passed(self.x, self.devices)
            if pause is None:
                self._step()
            else:
                self.x = pause.x
                self.stretches.append(
                    Stretch(
                        periods=pause.periods, pulse=False, mean=pause.mean, lowest=pause.lowest,
                        highest=pause.highest, control=pause.control, devices=self.devices, clocks=pause.clocks,
                    )
                )  # fmt: skip
            pulse = self.stretches[-1].pulse
            begun += pulse and resting
            resting = not pulse
            if bursts is not None and begun > bursts:
                break

    def _described(self, bursts: list[int]) -> tuple[LightLoad, float]:
        """Read whole bursts; return with them the share of periods that have a pulse."""
        whole = self.stretches[bursts[0] : bursts[-1]]
        periods = np.array([s.periods for s in whole])
        begins = np.concatenate([[0], np.cumsum(periods)])
        first = np.array(bursts) - bursts[0]
        lengths = np.diff(begins[first]) * self.period
        pulses = [sum(s.pulse for s in whole[a:b]) for a, b in pairwise(first)]
        total = float(periods.sum())
        found = LightLoad(
            regime=SKIPS,
            mean_output_v=float(periods @ [s.mean for s in whole]) / total,
            ripple_v=max(s.highest for s in whole) - min(s.lowest for s in whole),
            burst_lowest_hz=float(1.0 / lengths.max()),
            burst_highest_hz=float(1.0 / lengths.min()),
            burst_pulses_least=min(pulses),
            burst_pulses_most=max(pulses),
            mean_control_v=float(periods @ self._control(whole)) / total,
        )
        return found, sum(pulses) / total

    def _step(self) -> None:
        """Step one period from edge to edge."""
        trace: list[Segment] = []
        cycle = self.stepper.cycle(self.x, self.devices, trace)
        self.stretches.append(
            Stretch(
                periods=1, pulse=cycle.ended != "skipped", mean=cycle.mean, lowest=cycle.lowest, highest=cycle.highest,
                control=np.nan, trace=(*trace,), end=cycle.x,
            )
        )  # fmt: skip
        self.x, self.devices = cycle.x, cycle.devices

    def _control(self, stretches: list[Stretch]) -> NDArray[np.float64]:
        """Average control voltage of each stretch [V]: over each motion by Simpson's rule."""
        mean = np.array([s.control for s in stretches])
        motions: dict[Devices, list[tuple[int, float, NDArray[np.float64]]]] = {}
        for k, stretch in enumerate(stretches):
            ends = [*(s.x for s in stretch.trace[1:]), stretch.end]
            for segment, end in zip(stretch.trace, ends, strict=True) if stretch.trace else ():
                middle = self.stepper.setting(segment.devices).piece.move(segment.x).at(0.5 * segment.length)[0]
                states = np.array([segment.x, middle, end])
                motions.setdefault(segment.devices, []).append((k, segment.length, states))
            mean[k] = 0.0 if stretch.trace else mean[k]
        for devices, found in motions.items():
            states = np.concatenate([f[2] for f in found])
            values = self.stepper.watch(devices, states, ("v(control)",)).reshape(-1, 3)
            np.add.at(mean, [f[0] for f in found], values @ SIMPSON * [f[1] for f in found])
        return mean


def _same(now: tuple[float, float], before: tuple[float, float]) -> bool:
    """Whether mean output and share of pulses of two rounds are the same."""
    steady = abs(now[0] - before[0]) <= STEADY * abs(now[0])
    return steady and abs(now[1] - before[1]) <= STEADY_SHARE * now[1]


def _bursts(stretches: list[Stretch]) -> list[int]:
    """List where a burst begins after a pause, by place among the stretches."""
    return [k for k in range(1, len(stretches)) if stretches[k].pulse and not stretches[k - 1].pulse]
