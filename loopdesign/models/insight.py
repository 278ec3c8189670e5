"""Poles, zeros and named features of the averaged plant: what the designer reasons with."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.models.averaged import OUTPUTS, AveragedModel, average, by_mode
from loopdesign.models.discontinuous import slow_basis
from loopdesign.models.roots import poles_hz, quality, zeros_hz
from loopdesign.models.switched import linearise

if TYPE_CHECKING:
    from collections.abc import Sequence

    import control
    from numpy.typing import NDArray

    from loopdesign.models.state_space import LinearSystem
    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint

PLANT_OUTPUT = "v(regulated)"
"""What the feedback senses is the output of a plant."""
COUPLING_STATES = ("v(Cs)", "v(Cd)")
LAG_STATES = ("rise", "charge")
LAG_POLE = "discontinuous-conduction pole"
PLAIN_ZERO = "left-half-plane zero"
CANCELLED = 0.02
"""Relative distance within which a lag's pole and a zero cancel."""
SAME_ZERO = 0.2
"""Natural logarithm of the ratio within which a zero is an output capacitor's own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Feature:
    """A named pole, pair, zero or gain of one operating point's plant.

    Attributes
    ----------
    name
        What it is, in the trade's words.
    kind
        ``pole``, ``pole pair``, ``zero``, ``zero pair`` or ``gain``.
    frequency_hz
        Its natural frequency [Hz]; None for a gain.
    quality
        Q of a pair [unitless]; negative in the right half-plane; None for single roots.
    right_half_plane
        Whether it lies in the right half-plane.
    value
        The gain [V/V]; None for roots.
    """

    name: str
    kind: str
    frequency_hz: float | None = None
    quality: float | None = None
    right_half_plane: bool = False
    value: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Plant:
    """Control to output of one operating point, averaged: roots and features.

    Attributes
    ----------
    poles_hz, zeros_hz
        Complex roots over two pi [Hz].
    dc_gain
        [V/V].
    features
        The named ones, by frequency.
    system
        Averaged state space from control [V] to output [V].
    rule_of_thumb_hz
        The trade's estimate of the right-half-plane zero, to stand beside the true one [Hz]; None where there is none
        or in discontinuous conduction, where it does not hold.
    """

    poles_hz: NDArray[np.complex128]
    zeros_hz: NDArray[np.complex128]
    dc_gain: float
    features: tuple[Feature, ...]
    system: LinearSystem
    rule_of_thumb_hz: float | None = None

    @property
    def right_half_plane_zero_hz(self) -> float | None:
        """Lowest zero in the right half-plane, real or a pair [Hz]; None where there is none."""
        right = np.abs(self.zeros_hz[self.zeros_hz.real > 0.0])
        return float(right.min()) if len(right) else None

    def to_control(self) -> control.StateSpace:
        """Convert the averaged model, control to output, to a state space of python-control.

        Returns
        -------
        control.StateSpace
            Input ``control`` [V], output ``v(regulated)``, what the feedback senses [V]; states by name.
        """
        return self.system.to_control()

    def named(self, name: str) -> Feature | None:
        """Find a feature by name.

        Parameters
        ----------
        name : str
            Such as ``output capacitor ESR zero``.

        Returns
        -------
        Feature or None
            The first of that name.
        """
        return next((f for f in self.features if f.name == name), None)


def plants(converter: Converter, point: OperatingPoint) -> tuple[Plant, ...]:
    """Find poles, zeros and features of every item's plant.

    Parameters
    ----------
    converter
        The open-loop converter.
    point
        Its operating point, of mixed conduction modes or not.

    Returns
    -------
    tuple of Plant
        One per item, in order.
    """
    result: dict[int, Plant] = {}
    rules = _rules_of_thumb(converter, point)
    for items in by_mode(point):
        part = point.take(items)
        model = average(part, converter.modulator)
        esr = _esr_zeros(converter, len(point.duty))
        for k, item in enumerate(items):
            rule = None if part.discontinuous[k] else rules[item]
            modes = _participation(model, k, part)
            result[int(item)] = replace(
                _plant(model, k, {n: float(z[item]) for n, z in esr.items()}, modes), rule_of_thumb_hz=rule
            )
    for item in np.flatnonzero(~point.ordinary):
        from loopdesign.models.identified import identified, pole_shares  # noqa: PLC0415  (few operating points)

        one = point.take(np.array([item]))
        model = identified(one)
        roots = np.linalg.eigvals(model.A[0]).astype(complex)
        modes = pole_shares(linearise(one), roots)
        result[int(item)] = _plant(
            model, 0, {n: float(z[item]) for n, z in _esr_zeros(converter, len(point)).items()}, modes
        )
    return tuple(result[i] for i in range(len(point.duty)))


def _rules_of_thumb(converter: Converter, point: OperatingPoint) -> list[float | None]:
    """Estimate of the right-half-plane zero per item [Hz], as the topology's source prints it."""
    rule = converter.topology.rhp_zero_rule
    if rule is None:
        return [None] * len(point.duty)
    load = converter.output_voltage / np.asarray(converter.load_current, float)
    values = np.broadcast_to(rule(point.duty, load, converter.stage), point.duty.shape)
    return [float(v) for v in values]


def _esr_zeros(converter: Converter, batch: int) -> dict[str, NDArray[np.float64]]:
    """Zero of each output capacitor with its series resistance (B,) [Hz], by its name; infinite without resistance.

    Capacitors in parallel keep their zeros: where one branch has no impedance, the bank has none.
    """
    bank = converter.stage.Co
    names = ["output capacitor ESR zero"] if len(bank) == 1 else [f"ESR zero of Co{i + 1}" for i in range(len(bank))]
    found = {}
    for name, part in zip(names, bank, strict=True):
        with np.errstate(divide="ignore"):
            zero = 1.0 / (2.0 * np.pi * np.asarray(part.esr) * np.asarray(part.capacitance))
        found[name] = np.broadcast_to(zero, (batch,))
    return found


def _plant(
    model: AveragedModel, item: int, esr_zeros: dict[str, float], modes: list[tuple[complex, dict[str, float]]]
) -> Plant:
    zeros = zeros_hz(model, item)
    poles = poles_hz(model, item)
    i = OUTPUTS.index(PLANT_OUTPUT)
    gain = float(model.D[item, i, 0] - model.C[item, i] @ np.linalg.solve(model.A[item], model.B[item, :, 0]))
    roots = [*_pole_features(modes, float(model.period[item])), *_zero_features(zeros, esr_zeros)]
    order = [Feature(name="dc gain", kind="gain", value=gain), *_numbered(_without_cancelled(roots))]
    return Plant(poles_hz=poles, zeros_hz=zeros, dc_gain=gain, features=tuple(order), system=model.system(item))


def _pairs(roots: Sequence[complex]) -> list[complex]:
    """One of each complex pair, and every real root."""
    return [complex(r) for r in roots if r.imag >= 0.0]


def _participation(model: AveragedModel, item: int, point: OperatingPoint) -> list[tuple[complex, dict[str, float]]]:
    """Share of each state in each pole, by the network's own names also where the model's states are combinations."""
    values, vectors = np.linalg.eig(model.A[item])
    inverse = np.linalg.inv(vectors)
    names, right, left = model.states, vectors, inverse
    if point.discontinuous[item]:
        P, N = (m[0] for m in slow_basis(point.take(np.array([item]))))
        m = P.shape[1]
        names = (*point.network.states, *model.states[m:])
        right = np.concatenate([P @ vectors[:m], vectors[m:]])
        left = np.concatenate([inverse[:, :m] @ N, inverse[:, m:]], axis=1)
    shares = np.abs(right * left.T)
    shares = shares / shares.sum(axis=0)
    return [
        (complex(root), dict(zip(names, column, strict=True))) for root, column in zip(values, shares.T, strict=True)
    ]


def _pole_features(modes: list[tuple[complex, dict[str, float]]], period: float) -> list[Feature]:
    found = []
    for root, share in modes:
        if root.imag < 0.0:
            continue
        hz = abs(root) / (2.0 * np.pi * period)
        q = quality(root)
        found.append(
            Feature(
                name=_pole_name(share, hz * period, q is not None),
                kind="pole" if q is None else "pole pair",
                frequency_hz=float(hz),
                quality=q,
                right_half_plane=bool(root.real > 0.0),
            )
        )
    return found


def _pole_name(share: dict[str, float], relative: float, pair: bool) -> str:  # noqa: PLR0911
    if sum(share.get(s, 0.0) for s in COUPLING_STATES) > 0.3 and pair:
        return "coupling-capacitor resonance"
    if sum(share.get(s, 0.0) for s in COUPLING_STATES) > 0.5:
        return "coupling damper pole"
    if any(s.startswith(("i(Lf", "v(Cf", "i(Ls")) and v > 0.3 for s, v in share.items()):
        return "input filter resonance" if pair else "input filter pole"
    if share.get("duty", 0.0) > 0.2 and relative > 0.05:
        return "half-switching-frequency pair" if pair else "sampling pole"
    if sum(share.get(s, 0.0) for s in LAG_STATES) > 0.5:
        return LAG_POLE
    bank = sum(v for s, v in share.items() if s.startswith("v(Co"))
    if bank > 0.5 and not pair and relative > 0.5:
        return "output bank pole"  # charge between capacitors in parallel
    if bank > 0.3 or not pair:
        return "output resonance" if pair else "output pole" if relative < 0.2 else "current-loop pole"
    return "resonance"


def _without_cancelled(features: list[Feature]) -> list[Feature]:
    """Leave out a lag's pole with the zero that cancels it: bookkeeping of the model, no feature of the stage."""
    lags = [f for f in features if f.name.startswith(LAG_POLE)]
    zeros = [f for f in features if f.name.startswith(PLAIN_ZERO)]
    dropped: list[Feature] = []
    for lag in lags:
        for zero in zeros:
            if zero not in dropped and abs((zero.frequency_hz or 0.0) / (lag.frequency_hz or 1.0) - 1.0) < CANCELLED:
                dropped += [lag, zero]
                break
    return [f for f in features if f not in dropped]


def _zero_features(zeros: NDArray[np.complex128], esr_zeros: dict[str, float]) -> list[Feature]:
    found = []
    for root in _pairs(list(zeros)):
        q = quality(root)
        right = root.real > 0.0
        if q is not None:
            name = "right-half-plane zero pair" if right else "zero pair of the resonance"
        elif right:
            name = "right-half-plane zero"
        else:
            name = _left_zero_name(abs(root), esr_zeros)
        found.append(
            Feature(
                name=name,
                kind="zero" if q is None else "zero pair",
                frequency_hz=abs(root),
                quality=q,
                right_half_plane=right,
            )
        )
    return found


def _left_zero_name(hz: float, esr_zeros: dict[str, float]) -> str:
    """Name a real left-half-plane zero after the output capacitor whose own zero it is."""
    away = {name: abs(np.log(hz) - np.log(zero)) for name, zero in esr_zeros.items()}
    nearest = min(away, key=lambda name: away[name])
    return nearest if away[nearest] < SAME_ZERO else PLAIN_ZERO


def _numbered(features: list[Feature]) -> list[Feature]:
    """Tell apart features of one name by a number, lowest frequency first."""
    ordered = sorted(features, key=lambda f: f.frequency_hz or 0.0)
    names = [f.name for f in ordered]
    seen: dict[str, int] = {}
    result = []
    for f in ordered:
        seen[f.name] = seen.get(f.name, 0) + 1
        result.append(replace(f, name=f"{f.name} {seen[f.name]}") if names.count(f.name) > 1 else f)
    return result
