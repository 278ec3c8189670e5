"""What each part does to each margin and multiplier: derivatives, exact, without sampling.

Each nominal corner has a derivative of its own, by the relative change of every value of the case file. The network's
matrices are rational in a value and are differentiated by differences of sixth order, to eleven digits; all that
follows from them is differentiated exactly (`explore.sensitivity.arrays`). A margin moves with the loop gain at its own
frequency, and with that frequency:

    crossover           d ln f = -Re(T_p / T) / Re(T_w / T) / w
    phase margin        Im(T_p / T) + Im(T_w / T) dw        along the crossover
    gain margin         -20 log e (Re(T_p / T) + Re(T_w / T) dw)        along the phase crossing
    modulus margin      Re(T_p conj(1 + T)) / |1 + T|        for at its least it does not move with frequency

with T_p the derivative by the part and T_w by the frequency. A multiplier moves by ``w dM v / (w v)`` with its
eigenvectors. The bias of capacitors and the current of inductors with a curve move along.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.check import closed_model
from loopdesign.bench.keys import known_values, with_value
from loopdesign.case import Levels
from loopdesign.corners.converters import averages, compensation, open_loop
from loopdesign.corners.power_stage import curved
from loopdesign.corners.trouble import names_file
from loopdesign.errors import DataError
from loopdesign.explore.sensitivity.arrays import STEP, Orbit, PeriodArrays, complex_along, gathered
from loopdesign.explore.sensitivity.response import loop_parts, period_map
from loopdesign.explore.sensitivity.result import READINGS, Sensitivities
from loopdesign.explore.sensitivity.tangent import orbit_tangent
from loopdesign.explore.together import joined_converters
from loopdesign.network.batch import joined
from loopdesign.network.places import OFF, ON
from loopdesign.orbit.problem import pose
from loopdesign.orbit.waveforms import average_state

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign.analysis.check import CheckResult
    from loopdesign.bench.keys import FitKey
    from loopdesign.case import Case
    from loopdesign.network.converter import Converter

    Array = NDArray[Any]

RELATIVE = 4e-3
"""Relative step of the differences of the network's matrices."""
STENCIL = ((1, 45.0), (-1, -45.0), (2, -9.0), (-2, 9.0), (3, 1.0), (-3, -1.0))
"""Places and weights (over 60) of a difference of sixth order."""


@names_file("no sensitivities")
def sensitivities(found: CheckResult) -> Sensitivities:
    """Differentiate every margin and the largest multiplier of a check by every value of its case.

    Parameters
    ----------
    found : CheckResult
        The check, with a loop.

    Returns
    -------
    Sensitivities
        At its nominal corners.

    Raises
    ------
    DataError
        Where the case has no loop.
    """
    if found.closed_loop is None:
        raise DataError("sensitivities need a closed loop: the case has no error amplifier, feedback and compensation")
    case = _with_parts(found)
    keys = known_values(case)
    return _Study(found, case, keys).run()


def _with_parts(found: CheckResult) -> Case:
    """Return the case with the parts that were examined."""
    given = found.case.compensation
    if given is None:
        return found.case
    return found.case.model_copy(update={"compensation": given.model_copy(update=dict(found.parts))})


class _Study:
    """Derivatives of one check: its closed loops (C,), and what each value (V,) does to them."""

    def __init__(self, found: CheckResult, case: Case, keys: tuple[FitKey, ...]) -> None:
        self.found, self.case, self.keys = found, case, keys
        self.model = (
            closed_model(found.case, found.stage, found.parts) if found.closed_loop is None else found.closed_loop
        )
        self.point = self.model.point
        self.count = len(self.point)
        self.base = gathered(self.point.problem, self.point.sequence)
        self.orbit = Orbit(ends=self.point.sequence.ends, states=self.point.states, inputs=self.point.inputs)
        self.curves = curved(case)
        self.bias = averages(case, found.stage.point) if self.curves else {}

    def run(self) -> Sensitivities:
        """Differentiate."""
        moved = self._along_values()
        frequencies, readings = _frequencies(self.found)
        T, by_value, by_angle = self._loops(frequencies, moved)
        derivatives = _margins(T, by_value, by_angle, frequencies)
        angle = 2.0 * np.pi * frequencies["crossover_hz"] * self._period
        derivatives["crossover_hz"] *= (frequencies["crossover_hz"] / angle)[:, None]
        derivatives["largest_multiplier"] = self._multipliers(moved)
        readings["largest_multiplier"] = np.abs(self.model.multipliers).max(axis=1)
        return Sensitivities(
            title=self.case.title, keys=tuple(k.key for k in self.keys), nominal=tuple(k.nominal for k in self.keys),
            conditions=self.found.conditions, readings=readings, derivatives=derivatives,
        )  # fmt: skip

    @property
    def _period(self) -> Array:
        return self.point.network.period

    def _along_values(self) -> list[tuple[PeriodArrays, Orbit]]:
        """Differentiate arrays and orbit by the relative change of every value, the bias moving along."""
        plain = [self._differences(k) for k in range(len(self.keys))]
        by_bias = [self._bias_differences(name) for name in self.curves]
        moved = [(m, *self._tangent(m)) for m in plain]
        biased = [(m, *self._tangent(m)) for m in by_bias]
        if not biased:
            return [(m, orbit) for m, orbit, _ in moved]
        rows = [self.point.network.states.index(s) for s in self.curves.values()]
        # the bias is an average of the orbit, and the orbit moves with the bias
        G = np.stack([self._averages(m, mean)[:, rows] for m, _, mean in biased], axis=2)
        told = []
        for m, orbit, mean in moved:
            g = self._averages(m, mean)[:, rows]
            shift = np.linalg.solve(np.eye(len(rows)) - G, g[..., None])[..., 0]
            arrays = m
            for j, (bm, borbit, _) in enumerate(biased):
                arrays, orbit = _added(arrays, bm, shift[:, j]), _added(orbit, borbit, shift[:, j])  # noqa: PLW2901
            told.append((arrays, orbit))
        return told

    def _tangent(self, moved: PeriodArrays) -> tuple[Orbit, Array]:
        trim = self.point.network.input_index(self.point.problem.trim)
        return orbit_tangent(self.base, moved, self.orbit, self.point.sequence, self.point.trip, trim)

    def _averages(self, moved: PeriodArrays, mean: Array) -> Array:
        """Differentiate the size of the average SI state (C,n) [V], [A]."""
        average = average_state(self.point)
        scale = self.point.network.state_scale
        return np.asarray(np.sign(average) * (mean / scale - average * moved.scale / scale**2))

    def _differences(self, k: int) -> PeriodArrays:
        """Differentiate the arrays by the relative change of one value, at the bias as it is."""
        key = self.keys[k]
        converters = []
        for place, _ in STENCIL:
            case = moved_case(self.case, key.key, key.nominal * (1.0 + place * RELATIVE))
            converters.append(self._closed(case, self.bias))
        return self._differenced(converters, RELATIVE * np.ones(self.count))

    def _bias_differences(self, name: str) -> PeriodArrays:
        """Differentiate the arrays by the bias of one part [V], [A], whose curve is made of straight lines."""
        size = np.maximum(np.abs(self.bias[name]), 1e-6) * RELATIVE * 1e-2
        converters = [
            self._closed(self.case, {**self.bias, name: self.bias[name] + place * size}) for place, _ in STENCIL
        ]
        return self._differenced(converters, size)

    def _closed(self, case: Case, bias: Mapping[str, Array]) -> Converter:
        opened = open_loop(case, self.found.conditions, bias)
        parts = {n: v for n, v in case.compensation.parts.items() if v is not None}  # type: ignore[union-attr]
        return opened.closed(compensation(case, parts, self.found.conditions))

    def _differenced(self, converters: list[Converter], size: Array) -> PeriodArrays:
        """Take the difference of sixth order of the arrays of converters at the places of the stencil."""
        used = tuple(int(c) for c in np.unique(self.point.sequence.configuration))
        configurations = tuple({ON, OFF, *used})
        try:
            tiled = self.point.sequence.take(np.tile(np.arange(self.count), len(STENCIL)))
            tiled = tiled.padded(self.point.sequence.ends.shape[1])
            arrays = gathered(pose(joined_converters(converters), configurations=configurations), tiled)
        except ValueError:  # a delay differs, which a batch shares
            arrays = joined([gathered(pose(c, configurations=configurations), self.point.sequence) for c in converters])
        weights = np.array([w for _, w in STENCIL]) / 60.0

        def difference(values: Array) -> Array:
            each = values.reshape(len(STENCIL), self.count, *values.shape[1:])
            per = size.reshape(-1, *([1] * (values.ndim - 1)))
            return np.asarray(np.tensordot(weights, each, axes=(0, 0)) / per)

        return arrays.map(difference)

    def _multipliers(self, moved: list[tuple[PeriodArrays, Orbit]]) -> Array:
        """Differentiate the size of the largest multiplier (C,V)."""
        M = period_map(self.base, self.orbit, self.point.sequence, self.point.trip)
        values, right = np.linalg.eig(M)
        items, largest = np.arange(self.count), np.argmax(np.abs(values), axis=1)
        left = np.linalg.inv(right)[items, largest]
        v, m = right[items, :, largest], values[items, largest]
        told = []
        for arrays, orbit in moved:
            stepped = complex_along(self.base, arrays), complex_along(self.orbit, orbit)
            dM = period_map(*stepped, self.point.sequence, self.point.trip).imag / STEP
            dm = (left[:, None, :] @ (dM @ v[..., None]))[:, 0, 0]
            told.append((np.conj(m) * dm).real / np.abs(m))
        return np.stack(told, axis=1)

    def _loops(
        self, frequencies: Mapping[str, Array], moved: list[tuple[PeriodArrays, Orbit]]
    ) -> tuple[dict[str, Array], dict[str, Array], dict[str, Array]]:
        """Loop gain (C,) at the frequency of each reading, its derivatives (C,V) by value and (C,) by angle."""
        injection = self.point.network.input_index("injection")
        still = self.base.map(np.zeros_like), replace(
            self.orbit, ends=np.zeros_like(self.orbit.ends), states=np.zeros_like(self.orbit.states),
            inputs=np.zeros_like(self.orbit.inputs),
        )  # fmt: skip
        T, by_value, by_angle = {}, {}, {}
        for name, hz in frequencies.items():
            angle = 2.0 * np.pi * np.nan_to_num(hz, nan=1.0) * self._period
            parts = []
            for arrays, orbit, turn in [*((a, o, 0.0) for a, o in moved), (*still, 1.0)]:
                real, imag = loop_parts(
                    complex_along(self.base, arrays), complex_along(self.orbit, orbit), self.point.sequence,
                    self.point.trip, angle=angle + 1j * STEP * turn, injection=injection,
                )  # fmt: skip
                parts.append((real.imag + 1j * imag.imag) / STEP)
            T[name] = real.real + 1j * imag.real
            by_value[name] = np.stack(parts[:-1], axis=1)
            by_angle[name] = parts[-1]
        return T, by_value, by_angle


def _added(whole: Any, part: Any, weight: Array) -> Any:  # noqa: ANN401  (arrays or orbits)
    """Add a weighted set of arrays."""
    names = type(whole).__dataclass_fields__
    return type(whole)(
        **{
            n: getattr(whole, n) + weight.reshape(-1, *([1] * (getattr(part, n).ndim - 1))) * getattr(part, n)
            for n in names
        }
    )


def moved_case(case: Case, key: str, value: float) -> Case:
    """Return the case with one value changed; a value with a range keeps to one number.

    Parameters
    ----------
    case : Case
        The case.
    key : str
        Dotted path, such as ``stage.Cs.capacitance``.
    value : float
        The new value in SI units.

    Returns
    -------
    Case
        The same otherwise.
    """
    changed = with_value(case, key, value)
    if key == "stage.coupling":
        levels = Levels(values=(value,), nominal=value)
        changed = case.model_copy(update={"stage": case.stage.model_copy(update={"coupling": levels})})
    return changed


def _frequencies(found: CheckResult) -> tuple[dict[str, Array], dict[str, Array]]:
    """Frequency at which each reading of each corner stands [Hz], and the readings; NaN where there is none."""
    at: dict[str, list[float]] = {n: [] for n in READINGS[:4]}
    told: dict[str, list[float]] = {n: [] for n in READINGS[:4]}
    for m in found.margins:
        for name in at:
            value = getattr(m, name)
            told[name].append(np.nan if value is None else float(value))
        at["phase_margin_deg"].append(_place(m.crossovers_hz, m.phase_margins_deg, m.phase_margin_deg))
        at["gain_margin_db"].append(_place(m.phase_crossings_hz, m.gain_margins_db, m.gain_margin_db))
        at["modulus_margin"].append(m.modulus_margin_hz)
        at["crossover_hz"].append(np.nan if m.crossover_hz is None else m.crossover_hz)
    return {n: np.array(v) for n, v in at.items()}, {n: np.array(v) for n, v in told.items()}


def _place(hz: tuple[float, ...], values: tuple[float, ...], value: float | None) -> float:
    """Frequency of the crossing whose margin is the headline."""
    return np.nan if value is None else hz[values.index(value)]


def _margins(
    T: Mapping[str, Array], by_value: Mapping[str, Array], by_angle: Mapping[str, Array], hz: Mapping[str, Array]
) -> dict[str, Array]:
    """Differentiate the margins (C,V); of the crossover it is the angle per period."""

    def along(name: str, part: str) -> tuple[Array, Array, Array]:
        p, w = by_value[name] / T[name][:, None], (by_angle[name] / T[name])[:, None]
        moved = -getattr(p, part) / getattr(w, part)
        return p, w, moved

    p, w, moved = along("phase_margin_deg", "real")
    phase = np.degrees(p.imag + w.imag * moved)
    _, _, crossover = along("crossover_hz", "real")
    p, w, moved = along("gain_margin_db", "imag")
    gain = -20.0 / np.log(10.0) * (p.real + w.real * moved)
    back = np.conj(1.0 + T["modulus_margin"])[:, None]
    modulus = (by_value["modulus_margin"] * back).real / np.abs(back)
    told = {"phase_margin_deg": phase, "gain_margin_db": gain, "modulus_margin": modulus, "crossover_hz": crossover}
    return {n: np.where(np.isnan(hz[n])[:, None], np.nan, d) for n, d in told.items()}
