"""Brute time stepping of a switched network: its own matrices, edges found by bisection, no linear model.

Exponentials of a period over 2, 4, 8 ... are prepared once per interval; an edge is scanned for in coarse steps and then
bisected with them to a part in 2^44 of the period.
"""

from __future__ import annotations

import numpy as np
from scipy.linalg import expm

LEVELS = 44
COARSE = 3


class Circuit:
    """One operating point of a batch, stepped cycle by cycle in its normalised states."""

    def __init__(self, point, item=0):
        network, inputs = point.network, point.inputs[item]
        self.n = network.state_scale.shape[1]
        self.diode = point.problem.diode
        self.max_duty = point.problem.max_duty
        self.steps = []
        for c in network.configurations:
            N = np.zeros((self.n + 1, self.n + 1))
            N[: self.n, : self.n], N[: self.n, self.n] = c.A[item], c.B[item] @ inputs
            self.steps.append(expm(N * (0.5 ** np.arange(LEVELS + 1))[:, None, None]))
        th = point.problem.threshold
        self.trip = np.append(th.row_state[item], th.row_input[item] @ inputs)
        self.ramp = th.ramp[item]
        k = network.output_index("i(diode)")
        off = network.configurations[1]
        self.rectifier = np.append(off.C[item, k], off.D[item, k] @ inputs)

    def _until(self, z, begin, interval, crossed):
        """Step one interval until its edge or the end of the period; return the state and the time."""
        time = begin
        for level in range(COARSE, LEVELS + 1):
            width, E = 0.5**level, self.steps[interval][level]
            while time + width <= 1.0 + 1e-13:
                ahead = E @ z
                if crossed(ahead, time + width):
                    break
                z, time = ahead, time + width
        return z, time

    def _rest(self, z, begin, interval):
        """Step to the end of the period."""
        return self._until(z, begin, interval, lambda _z, _t: False)[0]

    def cycle(self, x):
        """Step one period from the clock."""
        z = np.append(x, 1.0)
        z, time = self._until(z, 0.0, 0, lambda v, t: self.trip @ v + self.ramp * t > 0.0 or t > self.max_duty)
        if not self.diode:
            return self._rest(z, time, 1)[: self.n]
        z, time = self._until(z, time, 1, lambda v, _t: self.rectifier @ v < 0.0)
        return (self._rest(z, time, 2) if time < 1.0 - 1e-12 else z)[: self.n]

    def period_map(self, x, scale, step=2e-6):
        """Differentiate one cycle by central differences, each state moved by a share of its own scale."""
        columns = []
        for k in range(self.n):
            e = np.zeros(self.n)
            e[k] = step * scale[k]
            columns.append((self.cycle(x + e) - self.cycle(x - e)) / (2.0 * e[k]))
        return np.stack(columns, axis=1)
