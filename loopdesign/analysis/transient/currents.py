"""The largest currents on the way of a step, beside those at rest before and after it.

The first cycles are sampled densely, and besides them the cycle with the largest current of each inductor at its clock
and the one with the longest on-time, where the peaks of the others are likely. A peak elsewhere is not seen.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.transient.run import traces

if TYPE_CHECKING:
    from loopdesign.analysis.transient.run import Run, Traces
    from loopdesign.orbit.stepping.cycle import CycleStepper


@dataclass(frozen=True, slots=True, kw_only=True)
class CurrentPeak:
    """Largest size of one current on the way of a step.

    Attributes
    ----------
    part : str
        Designator of the inductor, switch or rectifier.
    peak_current_a : float
        Largest size after the step [A].
    time_s : float
        When it occurs, after the step [s].
    steady_peak_a : float
        Largest size within a period at rest, before the step or after it [A].
    """

    part: str
    peak_current_a: float
    time_s: float
    steady_peak_a: float

    def to_dict(self) -> dict[str, float | str]:
        """Turn it into plain values, ready for JSON."""
        return {
            "part": self.part, "peak_current_a": self.peak_current_a, "time_s": self.time_s,
            "steady_peak_a": self.steady_peak_a,
        }  # fmt: skip


def current_peaks(
    stepper: CycleStepper, run: Run, before: Traces, first: Traces, *, followed: int, settled: bool
) -> tuple[CurrentPeak, ...]:
    """Find the largest current of every inductor, of what is sensed, and of every switch and rectifier.

    Parameters
    ----------
    stepper : CycleStepper
        The converter, its inputs as they are after the step.
    run : Run
        Every cycle after the step.
    before, first : Traces
        Waveforms at rest before the step, and those of the first cycles after it.
    followed : int
        How many cycles ``first`` holds [unitless].
    settled : bool
        Whether the last cycle of the run is one at rest [unitless].

    Returns
    -------
    tuple of CurrentPeak
        Inductors first.
    """
    chosen = {int(np.argmax(np.abs(values))) for values in run.currents.values()} | {int(np.argmax(run.duty))}
    closer = [traces(stepper, run.states[k], run.devices[k], cycles=1, first=k) for k in chosen if k >= followed]
    rest = [before]
    if settled:
        rest.append(traces(stepper, run.states[-1], run.devices[-1], cycles=1))
    found = []
    for name in {**first.currents, **first.devices}:
        values = np.concatenate([np.abs(_current(t, name)) for t in (first, *closer)])
        times = np.concatenate([t.time_s for t in (first, *closer)])
        at = int(np.argmax(values))
        steady = max(float(np.abs(_current(t, name)).max()) for t in rest)
        found.append(
            CurrentPeak(
                part=name, peak_current_a=float(values[at]), time_s=max(float(times[at]), 0.0), steady_peak_a=steady
            )
        )
    return tuple(found)


def _current(traces: Traces, name: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return the current of a part."""
    return traces.currents[name] if name in traces.currents else traces.devices[name]
