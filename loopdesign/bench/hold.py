"""Hold the prediction against measured responses: the whole way, for one file or several of one board."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.analysis.given import has_loop, one_of, with_parts
from loopdesign.bench.compare import (
    AGREED_DB,
    AGREED_DEG,
    MOST_FOR_MARGINS,
    CurveMargins,
    apart,
    curve_margins,
    deviation,
    in_noise_floor,
    is_inverted,
    thinned,
)
from loopdesign.bench.fitting.fit import Settled, excess_of, fit_of, settle
from loopdesign.bench.fitting.problem import sweep_of
from loopdesign.bench.keys import asked_keys
from loopdesign.bench.point import measured_point
from loopdesign.bench.predict import MEASURED, predicted, predictions, setting_of
from loopdesign.bench.reading.measurement import NOTHING_TOLD, read_measurement, require_points
from loopdesign.bench.reading.table import Dropped
from loopdesign.bench.result import BenchResult
from loopdesign.bench.words import sentence
from loopdesign.corners.trouble import names_file
from loopdesign.errors import DataError, LoopDesignError
from loopdesign.printable import printable

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.bench.fitting.problem import MeasuredSweep
    from loopdesign.bench.fitting.result import Cause
    from loopdesign.bench.keys import FitKey
    from loopdesign.bench.point import MeasuredPoint
    from loopdesign.bench.predict import MeasuredQuantity, MeasuredSetting
    from loopdesign.bench.reading.measurement import Measurement, Option
    from loopdesign.bench.reading.told import Told
    from loopdesign.models.verdict import Verdict

    Real = NDArray[np.float64]
    Complex = NDArray[np.complex128]

OTHER_SHAPE = 2.0
"""A file is taken for another quantity where that lies this many times nearer to it."""
FAR_DB = 6.0
"""Least distance, gain [dB] and a tenth of the phase [deg] together, from which on another quantity is considered."""
MUCH_NEARER = 3.0
"""A file that is not refused is warned of where another quantity lies this many times nearer to it."""
NAMES = {
    "loop": "the loop gain", "plant": "the plant, control to output", "output-impedance": "the output impedance",
}  # fmt: skip
FEW = 60
"""Points by which the ways to read a file are told apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """What a caller asks of measured data.

    Attributes
    ----------
    quantity : str or None
        What was measured; the loop unless given, and a file that looks like another quantity is then refused.
    input_voltage, load_current : float, str, sequence of them, or None
        Operating point, one for all files or one for each; by the file's own words, else nominal line and highest load,
        unless given [V], [A].
    fit : sequence of str or str
        Dotted keys of the values to refine, or ``"auto"``; none leaves the case as it is.
    told : Told
        Columns and units of the files.
    """

    quantity: MeasuredQuantity | None = None
    input_voltage: float | str | Sequence[float | str] | None = None
    load_current: float | str | Sequence[float | str] | None = None
    fit: Sequence[str] | str = ()
    told: Told = NOTHING_TOLD


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Laid:
    """One file laid over its prediction, before anything is fitted."""

    read: Measurement
    point: MeasuredPoint
    setting: MeasuredSetting
    hz: Real
    measured: Complex
    reference: Complex
    dropped: tuple[Dropped, ...]
    inverted: bool
    verdict: Verdict
    warnings: tuple[str, ...]


@names_file("no comparison")
def compare_with(
    case: cases.Case,
    data: Sequence[Path | str],
    asked: Asked,
    *,
    parts: Mapping[str, float | str] | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[BenchResult, ...]:
    """Hold the exact model against files of measured data, and refine one set of parts to all of them.

    Parameters
    ----------
    case : Case
        The case of the board as designed.
    data : sequence of Path or str
        Files of delimited text: frequency with gain and phase, or with real and imaginary part.
    asked : Asked
        What was measured, where, and what to refine.
    parts : mapping of str to float or str, optional
        Values in place of the case's own, by designator [ohm], [F].
    progress : callable, optional
        Called with the work done and in all.

    Returns
    -------
    tuple of BenchResult
        For each file: margins of both, their differences, and the fit to all files.

    Raises
    ------
    DataError
        Where a file, a word or a value makes no sense.
    UnreachableOutputError
        Where losses keep the output below its target.
    """
    case = with_parts(case, parts)
    keys, tries = asked_keys(case, asked.fit)
    voltages = _each(asked.input_voltage, len(data), "input_voltage")
    currents = _each(asked.load_current, len(data), "load_current")
    say = progress or (lambda _done, _total: None)
    laid = []
    for k, (path, voltage, current) in enumerate(zip(data, voltages, currents, strict=True)):
        say(k, len(data) + 2)
        laid.append(_laid(case, path, asked, (voltage, current)))
    plain = [_result(one) for one in laid]
    if not keys:
        return tuple(plain)
    say(len(data), len(data) + 2)
    fitted = _fitted(laid, plain, keys, tries=tries)
    say(len(data) + 2, len(data) + 2)
    return fitted


def _each(given: object, count: int, name: str) -> list[float | str | None]:
    """Give each file its own value: one for all, or one for each."""
    values: list[Any] = list(given) if isinstance(given, list | tuple) else [given] * count
    if len(values) == 1:
        values *= count
    if len(values) != count:
        raise DataError(f"{name}: {len(values)} values for {count} files; give one for all, or one for each")
    return values


def _laid(
    case: cases.Case, path: Path | str, asked: Asked, where: tuple[float | str | None, float | str | None]
) -> Laid:
    """Read one file and lay it over its prediction."""
    quantity = "loop" if asked.quantity is None else one_of(asked.quantity, MEASURED, "quantity")
    switching = case.converter.switching_frequency

    def setting(words: Sequence[str]) -> tuple[MeasuredPoint, MeasuredSetting]:
        point = measured_point(case, words, *where)
        return point, setting_of(case, quantity, point.input_voltage, point.load_current)

    def judge(words: tuple[str, ...], options: Sequence[Option]) -> int:
        return _nearest(setting(words)[1], options, switching)

    read = read_measurement(path, switching, told=asked.told, judge=judge)
    point, at = setting(read.words)
    hz, measured, rows, dropped = _below_half(read, switching)
    reference, verdict = predicted(at, hz)
    inverted = quantity != "output-impedance" and is_inverted(measured, reference)
    warnings = _other_quantity(printable(read.source), at, hz, measured, reference, told=asked.quantity is not None)
    measured = -measured if inverted else measured
    noisy = in_noise_floor(measured, reference, loop=quantity == "loop")
    dropped += [Dropped(row=int(row), reason="in the noise floor") for row in rows[noisy]]
    require_points(int((~noisy).sum()), printable(read.source))
    return Laid(
        read=read, point=point, setting=at, hz=hz[~noisy], measured=measured[~noisy], reference=reference[~noisy],
        dropped=tuple(sorted(dropped, key=lambda d: d.row)), inverted=inverted, verdict=verdict, warnings=warnings,
    )  # fmt: skip


def _nearest(setting: MeasuredSetting, options: Sequence[Option], switching_hz: float) -> int:
    """Choose among ways to read a file the one that lies nearest to the prediction; the first one where none helps."""
    found = []
    for hz, values in options:
        order = np.argsort(hz)
        kept = order[(hz[order] < 0.5 * switching_hz) & (np.abs(values[order]) > 0.0)]
        kept = np.unique(kept[np.linspace(0, len(kept) - 1, min(FEW, len(kept))).astype(int)]) if len(kept) else kept
        try:
            kept = kept[np.argsort(hz[kept])]
            found.append(_far(values[kept], predicted(setting, hz[kept])[0]) if len(kept) > 1 else np.inf)
        except LoopDesignError:
            return 0
    return int(np.argmin(found))


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


def _between(measured: Complex, reference: Complex) -> tuple[float, float]:
    """Distance of two curves, the sign of either left open: median of gain [dB] and of phase [deg].

    The median, for a part that is off bends a curve over some of the frequencies only.
    """
    sign = -1.0 if is_inverted(measured, reference) else 1.0
    away = np.abs(apart(sign * measured, reference).view(float).reshape(-1, 2))
    return float(np.median(away[:, 0])), float(np.median(away[:, 1]))


def _far(measured: Complex, reference: Complex) -> float:
    """Sum the distance of two curves up: gain [dB] and a tenth of the phase [deg]."""
    db, deg = _between(measured, reference)
    return float(np.hypot(db, 0.1 * deg))


def _other_quantity(
    source: str, setting: MeasuredSetting, hz: Real, measured: Complex, reference: Complex, *, told: bool
) -> tuple[str, ...]:
    """Warn of a file that agrees much better with another quantity; refuse one that looks like it, unless it was told.

    Near its own quantity nothing is looked for: there a board is as it was designed.
    """
    distance, own = _far(measured, reference), setting.quantity
    if distance < float(np.hypot(AGREED_DB, 0.1 * AGREED_DEG)) or not has_loop(setting.case):
        return ()
    given = setting.case.compensation
    open_parts = () if given is None else given.open_parts
    level = float(setting.corners.input_voltage[0]), float(setting.corners.load_current[0])
    others = {}
    for name in MEASURED:
        if name != own and (name == "plant" or not open_parts):
            others[name] = predicted(setting_of(setting.case, name, *level), hz)[0]
    if not others:  # parts are open, and no loop can be predicted
        return ()
    nearest = min(others, key=lambda name: _far(measured, others[name]))
    near = _far(measured, others[nearest])
    if not told and distance >= FAR_DB and OTHER_SHAPE * near < distance:
        raise DataError(
            f"{source}: this looks like {NAMES[nearest]}, not like {NAMES[own]}; say which it is: "
            f"--quantity {nearest} or --quantity {own}"
        )
    if MUCH_NEARER * near >= distance:
        return ()
    here, there = (
        f"{db:.2g} dB and {deg:.2g} deg" for db, deg in (_between(measured, c) for c in (others[nearest], reference))
    )
    warning = (
        f"the file is taken for {NAMES[own]}, but it agrees much better with {NAMES[nearest]}: the medians of its "
        f"distance are {here} from that, and {there} from {NAMES[own]}; if that is what was measured, say --quantity "
        f"{nearest}"
    )
    return (warning,)


def _margins(laid: Laid) -> tuple[CurveMargins, CurveMargins]:
    """Read the margins of both curves at the same frequencies; none where no loop was measured."""
    if laid.setting.quantity != "loop":
        return CurveMargins(), CurveMargins()
    few, measured, reference = thinned(laid.hz, laid.measured, laid.reference, MOST_FOR_MARGINS)
    return curve_margins(few, measured), curve_margins(few, reference)


def _result(laid: Laid) -> BenchResult:
    """Sum one file up, nothing fitted."""
    measured, reference = _margins(laid)
    found = BenchResult(
        source=laid.read.source,
        quantity=laid.setting.quantity,
        case=laid.setting.case,
        frequencies_hz=laid.hz,
        measured_values=laid.measured,
        predicted_values=laid.reference,
        fitted_values=None,
        dropped=laid.dropped,
        repeats=laid.read.repeats,
        read_as=laid.read.read_as,
        guessed=laid.read.guessed,
        inversion_removed=laid.inverted,
        point=laid.point,
        verdict=laid.verdict,
        warnings=laid.warnings,
        measured=measured,
        predicted=reference,
        difference=deviation(laid.hz, laid.measured, laid.reference),
        fit=None,
        board=None,
        sentence="",
    )
    return replace(found, sentence=sentence(found))


def _fitted(
    laid: Sequence[Laid], plain: Sequence[BenchResult], keys: Sequence[FitKey], *, tries: bool
) -> tuple[BenchResult, ...]:
    """Refine the values to all files at once, and examine the design with them."""
    from loopdesign.bench.board import board_of  # noqa: PLC0415  (a comparison alone does not need it)
    from loopdesign.bench.fitting.causes import likeliest, suspects_tried  # noqa: PLC0415

    sweeps = [sweep_of(one.setting, one.hz, one.measured, one.reference) for one in laid]
    causes: tuple[Cause, ...] = suspects_tried(sweeps, keys) if tries else ()
    settled = settle(sweeps, likeliest(causes, keys) if tries else keys)
    excess = excess_of(settled, sweeps)
    found = []
    for one, sweep, result in zip(laid, sweeps, plain, strict=True):
        fit = replace(fit_of(settled, sweep, one.hz, one.measured, excess), causes=causes)
        found.append(replace(result, fit=fit, fitted_values=_curve(settled, sweep, one.hz, fit.values)))
    board = board_of(laid[0].setting.case, found[0].fitted)
    return tuple(replace(f, board=board, sentence=sentence(replace(f, board=board))) for f in found)


def _curve(settled: Settled, sweep: MeasuredSweep, hz: Real, values: Mapping[str, float]) -> Complex:
    """Respond with the fitted values (F,)."""
    keys = settled.problem.keys
    row = np.array([[values.get(key.key, key.nominal) for key in keys]])
    return predictions(sweep.setting, hz, keys, row)[0]
