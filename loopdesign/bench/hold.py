"""Hold the prediction against a measured response: the whole way for one file."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.analysis.given import has_loop, one_of, with_parts
from loopdesign.bench.compare import (
    AGREED_DB,
    AGREED_DEG,
    MOST_FOR_MARGINS,
    CurveMargins,
    agreed_band,
    apart,
    curve_margins,
    deviation,
    in_noise_floor,
    is_inverted,
    thinned,
)
from loopdesign.bench.fit import fit_parts
from loopdesign.bench.keys import fit_keys
from loopdesign.bench.point import measured_point
from loopdesign.bench.predict import MEASURED, predicted, setting_of
from loopdesign.bench.reading.measurement import Dropped, read_measurement, require_points
from loopdesign.bench.result import BenchResult
from loopdesign.corners.trouble import names_file
from loopdesign.errors import DataError
from loopdesign.printable import printable
from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.bench.compare import Deviation
    from loopdesign.bench.fit import Fit
    from loopdesign.bench.point import MeasuredPoint
    from loopdesign.bench.predict import MeasuredQuantity, MeasuredSetting
    from loopdesign.bench.reading.measurement import Measurement

    Real = NDArray[np.float64]
    Complex = NDArray[np.complex128]

OTHER_SHAPE = 3.0
"""A file is taken for another quantity where that lies this many times nearer to it."""
FAR_DB = 6.0
"""Least distance, gain [dB] and a tenth of the phase [deg] together, from which on another quantity is considered."""


@names_file("no comparison")
def compare_with(
    case: cases.Case,
    data: Path | str,
    *,
    quantity: MeasuredQuantity | None = None,
    input_voltage: float | str | None = None,
    load_current: float | str | None = None,
    fit: Sequence[str] = (),
    parts: Mapping[str, float | str] | None = None,
) -> BenchResult:
    """Hold the exact model against one file of measured data.

    Parameters
    ----------
    case : Case
        The case of the board as designed.
    data : Path or str
        File of delimited text: frequency with gain and phase, or with real and imaginary part.
    quantity : {"loop", "plant", "output-impedance"}, optional
        What was measured; the loop unless given, and a file that looks like another quantity is then refused.
    input_voltage, load_current : float or str, optional
        Operating point; by the file's own words, else nominal line and highest load, unless given [V], [A].
    fit : sequence of str
        Dotted keys of the values to refine; none leaves the case as it is.
    parts : mapping of str to float or str, optional
        Values in place of the case's own, by designator [ohm], [F].

    Returns
    -------
    BenchResult
        Margins of both, their differences, and the fit.

    Raises
    ------
    DataError
        Where the file, a word or a value makes no sense.
    UnreachableOutputError
        Where losses keep the output below its target.
    """
    asked = "loop" if quantity is None else one_of(quantity, MEASURED, "quantity")
    case = with_parts(case, parts)
    keys = fit_keys(case, fit)
    switching = case.converter.switching_frequency
    read = read_measurement(data, switching)
    point = measured_point(case, read.words, input_voltage, load_current)
    setting = setting_of(case, asked, point.input_voltage, point.load_current)
    hz, measured, rows, dropped = _below_half(read, switching)
    reference, verdict = predicted(setting, hz)
    inverted = asked != "output-impedance" and is_inverted(measured, reference)
    if quantity is None:
        _ask_for_the_quantity(read, setting, hz, measured, reference)
    measured = -measured if inverted else measured
    noisy = in_noise_floor(measured, reference, loop=asked == "loop")
    dropped += [Dropped(row=int(row), reason="in the noise floor") for row in rows[noisy]]
    hz, measured, reference = hz[~noisy], measured[~noisy], reference[~noisy]
    require_points(len(hz), printable(read.source))
    difference = deviation(hz, measured, reference)
    found = fit_parts(setting, hz, measured, reference, keys) if keys else None
    both = _margins(hz, measured, reference) if asked == "loop" else (CurveMargins(), CurveMargins())
    return BenchResult(
        source=read.source,
        quantity=asked,
        frequencies_hz=hz,
        measured_values=measured,
        predicted_values=reference,
        dropped=tuple(sorted(dropped, key=lambda d: d.row)),
        repeats=read.repeats,
        read_as=read.read_as,
        inversion_removed=inverted,
        point=point,
        stable=bool(verdict.stable),
        measured=both[0],
        predicted=both[1],
        difference=difference,
        fit=found,
        sentence=_sentence(hz, measured, reference, difference, point, found),
    )


def _below_half(read: Measurement, switching_hz: float) -> tuple[Real, Complex, NDArray[np.intp], list[Dropped]]:
    """Leave out what lies beyond half the switching frequency, where a sampled loop folds back, and values of zero."""
    beyond = read.frequencies_hz > 0.5 * switching_hz
    nothing = (read.values == 0.0) & ~beyond
    dropped = [*read.dropped]
    dropped += [Dropped(row=int(r), reason="beyond half the switching frequency") for r in read.rows[beyond]]
    dropped += [Dropped(row=int(r), reason="the value is zero") for r in read.rows[nothing]]
    kept = ~(beyond | nothing)
    require_points(int(kept.sum()), f"{printable(read.source)}, below half the switching frequency")
    return read.frequencies_hz[kept], read.values[kept], read.rows[kept], dropped


def _far(measured: Complex, reference: Complex) -> float:
    """Distance of two curves, the sign of either left open: rms gain [dB] and a tenth of the rms phase [deg]."""
    sign = -1.0 if is_inverted(measured, reference) else 1.0
    away = apart(sign * measured, reference)
    return float(np.hypot(np.sqrt(np.mean(away.real**2)), 0.1 * np.sqrt(np.mean(away.imag**2))))


def _ask_for_the_quantity(
    read: Measurement, setting: MeasuredSetting, hz: Real, measured: Complex, reference: Complex
) -> None:
    """Refuse a file that looks like another quantity than the loop, unless the quantity was given."""
    distance = _far(measured, reference)
    if distance < FAR_DB or not has_loop(setting.case):
        return
    others = {}
    for name in MEASURED[1:]:
        other = setting_of(
            setting.case, name, float(setting.corners.input_voltage[0]), float(setting.corners.load_current[0])
        )
        others[name] = _far(measured, predicted(other, hz)[0])
    nearest = min(others, key=lambda name: others[name])
    if OTHER_SHAPE * others[nearest] < distance:
        what = {"plant": "the plant, control to output", "output-impedance": "the output impedance"}[nearest]
        raise DataError(
            f"{printable(read.source)}: this looks like {what}, not like the loop gain; "
            f"say which it is: --quantity {nearest} or --quantity loop"
        )


def _margins(hz: Real, measured: Complex, reference: Complex) -> tuple[CurveMargins, CurveMargins]:
    """Read the margins of both curves at the same frequencies."""
    few, measured, reference = thinned(hz, measured, reference, MOST_FOR_MARGINS)
    return curve_margins(few, measured), curve_margins(few, reference)


def _sentence(
    hz: Real, measured: Complex, reference: Complex, difference: Deviation, point: MeasuredPoint, fit: Fit | None
) -> str:
    """Say where measured and predicted agree, and what a fit changes."""
    limits = f"{AGREED_DB:g} dB and {AGREED_DEG:g} deg"
    band = agreed_band(hz, measured, reference)
    largest = f"{difference.largest_db:+.2g} dB at {format_quantity(difference.at_hz, 'Hz')}"
    if band is None:
        said = f"At no frequency do measured and predicted agree within {limits}; the largest difference is {largest}"
    else:
        low, high = (format_quantity(f, "Hz") for f in band)
        said = f"Measured and predicted agree within {limits} from {low} to {high}"
        if band != (float(hz[0]), float(hz[-1])):
            said += f", and differ by up to {largest}"
        else:
            said += ", the whole band"
    said += f"; operating point {point}."
    if fit is not None:
        before, after = (f"{d.rms_db:.2g} dB and {d.rms_deg:.2g} deg" for d in (difference, fit.difference))
        said += f" With the fitted values the root mean square of the differences falls from {before} to {after}."
    return said
