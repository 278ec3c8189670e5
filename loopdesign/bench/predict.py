"""The exact switched model where a measurement was made, any values of the case varied, as one batch."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal, TypeAlias, get_args

import numpy as np

from loopdesign.analysis.check import closed_model, examine_stage
from loopdesign.analysis.given import given_parts, require_slope
from loopdesign.analysis.variants.solve import base_of, closed_loop, guess_at, variant_converter
from loopdesign.bench.keys import DELAY, with_value
from loopdesign.corners.conditions import Corners
from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import one_corner
from loopdesign.models.switched import control_to_output, linearise, loop_gain, output_impedance
from loopdesign.models.verdict import verdicts
from loopdesign.orbit.operating_point import delayed, operating_point

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.variants.solve import Base
    from loopdesign.bench.keys import FitKey
    from loopdesign.models.switched import SwitchedModel
    from loopdesign.models.verdict import Verdict

Kept: TypeAlias = "dict[tuple[float, ...], Base]"
"""Nominal operating points by the values that have no factor at a corner."""
MeasuredQuantity: TypeAlias = Literal["loop", "plant", "output-impedance"]
MEASURED: tuple[MeasuredQuantity, ...] = get_args(MeasuredQuantity)
AT_ONCE = 20_000
"""Most frequencies times variants of one call, for memory's sake."""
MOST_KEPT = 200
"""Nominal operating points kept at most."""
SMOOTH = 3000
"""Frequencies above which a response is evaluated at so many of them, and drawn smoothly between."""
_RESPOND = {"loop": loop_gain, "plant": control_to_output, "output-impedance": output_impedance}


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredSetting:
    """What was measured, and where.

    Attributes
    ----------
    case : Case
        The case.
    quantity : str
        ``loop``, ``plant`` or ``output-impedance``.
    corners : Corners
        One operating point.
    """

    case: cases.Case
    quantity: MeasuredQuantity
    corners: Corners


def setting_of(
    case: cases.Case, quantity: MeasuredQuantity, input_voltage: float, load_current: float
) -> MeasuredSetting:
    """Set the model up where the measurement was made.

    Parameters
    ----------
    case : Case
        The case.
    quantity : {"loop", "plant", "output-impedance"}
        What was measured.
    input_voltage, load_current : float
        Operating point [V], [A].

    Returns
    -------
    MeasuredSetting
        To be evaluated with `predicted` and `predictions`.

    Raises
    ------
    DataError
        Where the loop was measured and the case does not give it.
    """
    require_slope(case)
    if quantity != "plant":
        given_parts(case)
    return MeasuredSetting(case=case, quantity=quantity, corners=one_corner(case, input_voltage, load_current))


def predicted(setting: MeasuredSetting, frequencies_hz: NDArray[np.float64]) -> tuple[NDArray[np.complex128], Verdict]:
    """Respond with nominal parts, and judge the operating point.

    Parameters
    ----------
    setting : MeasuredSetting
        What was measured, and where.
    frequencies_hz : ndarray (F,)
        Frequencies [Hz].

    Returns
    -------
    tuple of ndarray (F,) and Verdict
        Complex values [unitless] or [ohm], and the verdict.
    """
    case = setting.case
    stage = examine_stage(case, setting.corners)
    model = stage.model if setting.quantity == "plant" else closed_model(case, stage, given_parts(case))
    closed = None if setting.quantity == "plant" else model
    verdict = verdicts(stage.model, closed, bounds(case, stage.conditions))[0]
    return _evaluated(model, setting.quantity, frequencies_hz)[0], verdict


def predictions(
    setting: MeasuredSetting,
    frequencies_hz: NDArray[np.float64],
    keys: Sequence[FitKey],
    values: NDArray[np.float64],
    kept: Kept | None = None,
) -> NDArray[np.complex128]:
    """Respond with values of the case varied: one call of the engine for all that have a factor at a corner.

    Parameters
    ----------
    setting : MeasuredSetting
        What was measured, and where.
    frequencies_hz : ndarray (F,)
        Frequencies [Hz].
    keys : sequence of FitKey
        The values that vary (P).
    values : ndarray (B, P)
        Their values in SI units.
    kept : dict, optional
        Nominal operating points of earlier calls for the same setting and keys, to begin from.

    Returns
    -------
    ndarray (B, F)
        Complex values [unitless] or [ohm].
    """
    kept = {} if kept is None else kept
    other = [k for k, key in enumerate(keys) if key.factor is None]
    result = np.empty((len(values), len(frequencies_hz)), complex)
    kinds, place = np.unique(values[:, other], axis=0, return_inverse=True)
    for kind, changed in enumerate(kinds):
        case = setting.case
        for k, value in zip(other, changed, strict=True):
            case = with_value(case, keys[k].key, float(value))
        items = np.flatnonzero(place.reshape(-1) == kind)
        base = _base(case, setting, kept, tuple(float(v) for v in changed))
        factors = {key.factor: values[items, k] / key.nominal for k, key in enumerate(keys) if key.factor is not None}
        model = _varied(base, setting, factors, len(items))
        result[items] = _evaluated(model, setting.quantity, frequencies_hz)
    return result


def _base(case: cases.Case, setting: MeasuredSetting, kept: Kept, changed: tuple[float, ...]) -> Base:
    """Solve the power stage at the operating point of the measurement, unless it was solved before."""
    if changed not in kept:
        while len(kept) >= MOST_KEPT:
            kept.pop(next(iter(kept)))
        kept[changed] = _solved_base(case, setting, kept)
    return kept[changed]


def _solved_base(case: cases.Case, setting: MeasuredSetting, kept: Kept) -> Base:
    """Solve the power stage; where nothing but the delay is another, begin from the edges without it."""
    parts = {} if setting.quantity == "plant" else given_parts(case)
    delay, before = case.modulator.turn_off_delay, setting.case.modulator.turn_off_delay
    if delay == before or with_value(setting.case, DELAY, delay) != case:
        return base_of(case, parts, examine_stage(case, setting.corners))
    plain = _base(setting.case, setting, kept, ())
    guess = plain.guess if before else delayed(plain.guess, delay * case.converter.switching_frequency)
    return replace(plain, case=case, guess=guess)


def _varied(base: Base, setting: MeasuredSetting, factors: dict[str, NDArray[np.float64]], count: int) -> SwitchedModel:
    """Solve and linearise every variant at the operating point of the measurement."""
    one = setting.corners
    condition = np.zeros(count, np.intp)
    corners = Corners(
        input_voltage=one.input_voltage[condition],
        load_current=one.load_current[condition],
        temperature=one.temperature[condition],
        factors=factors,
    )
    if setting.quantity == "plant":
        converter = variant_converter(base, corners, condition)
        return linearise(operating_point(converter, guess_at(base, condition), lean=True))
    return closed_loop(base, corners, condition)[0]


def _evaluated(
    model: SwitchedModel, quantity: MeasuredQuantity, frequencies_hz: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Evaluate a response (B, F), a stretch of the frequencies at a time where there are very many."""
    if len(frequencies_hz) > SMOOTH:
        from scipy.interpolate import CubicSpline  # noqa: PLC0415  (only very long files need it)

        few = np.geomspace(frequencies_hz[0], frequencies_hz[-1], SMOOTH)
        exact = _evaluated(model, quantity, few)
        logarithm = np.log(np.abs(exact)) + 1j * np.unwrap(np.angle(exact), axis=1)
        return np.asarray(np.exp(CubicSpline(np.log(few), logarithm, axis=1)(np.log(frequencies_hz))))
    step = max(1, AT_ONCE // max(1, len(model.multipliers)))
    parts = [_RESPOND[quantity](model, frequencies_hz[k : k + step]) for k in range(0, len(frequencies_hz), step)]
    return np.concatenate(parts, axis=1)
