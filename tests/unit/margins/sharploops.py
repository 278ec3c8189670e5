"""Random loops with sharp resonances, written down from their poles and zeros, and dense scans to judge readings of them."""

from __future__ import annotations

import mpmath as mp
import numpy as np

SWITCHING = 1e5
LOW = 3e-5 * SWITCHING


def product(roots, back):
    """Product of ``1 - r z^-1`` over some roots."""
    return np.prod([1.0 - r * back for r in roots], axis=0) if len(roots) else np.ones_like(back)


def sharp_pair(rng, angle):
    """Pair near the unit circle, quality from 2 to 1e5."""
    radius = np.exp(-0.5 * angle / 10.0 ** rng.uniform(0.3, 5.0))
    return [radius * np.exp(1j * angle), radius * np.exp(-1j * angle)]


class SampledLoop:
    """A loop in z: slow and fast poles, one or two sharp pole pairs, most with a zero pair next to them."""

    def __init__(self, seed):
        rng = np.random.default_rng(seed)
        self.poles, self.zeros = [np.exp(-(10.0 ** rng.uniform(-6.0, -2.0)))], []
        if rng.random() < 0.7:
            self.poles.append(np.exp(-(10.0 ** rng.uniform(-3.0, 0.0))))
        for _ in range(rng.integers(1, 3)):
            angle = 10.0 ** rng.uniform(-2.5, 0.45)
            self.poles += sharp_pair(rng, angle)
            beside = angle * (1.0 + rng.choice([-1, 1]) * 10.0 ** rng.uniform(-4.0, -0.5))
            if rng.random() < 0.75 and beside < 3.1:
                self.zeros += sharp_pair(rng, beside)
        if rng.random() < 0.6 and len(self.zeros) < len(self.poles) - 1:
            self.zeros.append(np.exp(-(10.0 ** rng.uniform(-3.0, 0.0))))
        self.lag, self.gain = int(rng.integers(1, 3)), 1.0
        crossover = 10.0 ** rng.uniform(-2.3, -0.3) * SWITCHING / (2.0 * np.pi)
        self.gain = 1.0 / abs(self(np.array([crossover]))[0])
        self.multipliers = self._multipliers()

    def __call__(self, hz):
        angle = 2.0 * np.pi * np.asarray(hz) / SWITCHING
        back = np.exp(-1j * angle)
        return self.gain * product(self.zeros, back) / product(self.poles, back) * back**self.lag

    def _multipliers(self):
        """Roots of the closed loop's polynomial in fifty digits: slow roots crowd near one, where doubles lose them."""
        mp.mp.dps = 50

        def coefficients(roots):
            c = [mp.mpc(1)]
            for r in roots:
                c = [a - mp.mpmathify(complex(r)) * b for a, b in zip([*c, 0], [0, *c], strict=True)]
            return [mp.re(a) for a in c]

        bottom, top = coefficients(self.poles), coefficients(self.zeros)
        whole = [mp.mpf(0)] * max(len(bottom), len(top) + self.lag)
        for k, a in enumerate(bottom):
            whole[k] += a
        for k, a in enumerate(top):
            whole[k + self.lag] += mp.mpf(float(self.gain)) * a
        return np.array([complex(r) for r in mp.polyroots(whole[::-1], maxsteps=500, extraprec=400, asc=True)])

    @property
    def sharp(self):
        """Frequencies and half widths of everything sharp [Hz]."""
        roots = np.log(np.array([*self.poles, *self.zeros, *self.multipliers], complex)) * SWITCHING / (2.0 * np.pi)
        return roots.imag, np.abs(roots.real)


class AnalogueLoop:
    """A loop in s: integrating pole, lags, sharp pole pairs with zero pairs beside them, some in the right half-plane."""

    def __init__(self, seed):
        rng = np.random.default_rng(seed)
        poles, zeros = [-(10.0 ** rng.uniform(-1.0, 2.0))], []
        if rng.random() < 0.7:
            poles.append(-(10.0 ** rng.uniform(2.0, 5.0)))
        if rng.random() < 0.5:
            zeros.append(-(10.0 ** rng.uniform(1.0, 4.0)))
        for _ in range(rng.integers(1, 3)):
            size = 10.0 ** rng.uniform(2.0, 4.7)
            poles += self._pair(rng, size, 1.0)
            if rng.random() < 0.7:
                beside = size * (1.0 + rng.choice([-1, 1]) * 10.0 ** rng.uniform(-4.0, -0.5))
                zeros += self._pair(rng, beside, rng.choice([1.0, 1.0, 1.0, -1.0]))
        self.poles, self.zeros = np.array(poles), np.array(zeros)
        self.delay, self.gain = rng.uniform(0.0, 6e-6), 1.0
        self.gain = 1.0 / abs(self(10.0 ** rng.uniform(1.5, 4.5)))

    @staticmethod
    def _pair(rng, size, side):
        root = size * np.exp(1j * (0.5 * np.pi + side * 0.5 / 10.0 ** rng.uniform(0.3, 5.0)))
        return [root, root.conjugate()]

    def __call__(self, hz):
        hz = np.asarray(hz, float)
        loop = self.gain * np.exp(-2j * np.pi * hz * self.delay)
        for zero in self.zeros:
            loop = loop * (1.0 - 1j * hz / zero)
        for pole in self.poles:
            loop = loop / (1.0 - 1j * hz / pole)
        return loop

    @property
    def sharp(self):
        roots = np.concatenate([self.poles, self.zeros])
        return np.abs(roots), np.abs(roots.real)


def dense_scan(sharp, low, high, even=60_000, cluster=1500):
    """Frequencies of a scan: log and evenly spaced points, and clusters round everything sharp, at shares of its width."""
    points = [np.geomspace(low, high, even), np.linspace(low, high, even // 3)]
    for hz, width in zip(*sharp, strict=True):
        if hz > 0.0 and 0.0 < width < 0.3 * hz:
            away = width * np.geomspace(0.01, 0.3 * hz / width, cluster)
            points += [hz + away, hz - away, [hz]]
    every = np.unique(np.concatenate(points))
    return every[(every >= low) & (every <= high)]
