"""``bench``: the prediction held against a measured response."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, overload

from loopdesign.bench.board import redesigned
from loopdesign.bench.hold import Asked, compare_with
from loopdesign.bench.reading.told import told_of
from loopdesign.bench.result import BenchResult
from loopdesign.bench.steps.hold import StepComparison, compare_step
from loopdesign.errors import DataError
from loopdesign.front.case import as_case
from loopdesign.front.shown import Shown, shown_as
from loopdesign.report.basics.brief import Brief
from loopdesign.report.bench.step import step_notes, step_overlay_figure, step_readings_table
from loopdesign.report.bench.text import bench_facts, bench_notes, both_margins_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.figure import Figure

    from loopdesign.bench.predict import MeasuredQuantity
    from loopdesign.front.case import CaseOrPath


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Bench(Shown, BenchResult):
    """Hold a measured response beside the prediction of the exact model.

    Attributes
    ----------
    source, quantity, read_as, dropped, repeats, inversion_removed
        The file, what was measured, how it was read, and the rows left out.
    frequencies_hz : ndarray (F,)
        Frequencies compared at [Hz].
    measured_values, predicted_values : ndarray (F,)
        Complex values there [unitless] or [ohm].
    point, verdict, stable
        Operating point with where it is known from, and the verdict of the model there.
    measured, predicted, difference
        Margins of both curves, and how far these lie apart.
    fit, fitted_values, board, redesign
        Refined parts with their 95 % intervals, the curve they give, the design examined with them, and the
        compensation chosen for it; None where not asked for.
    case, guessed, warnings
        The case as designed, what the values of the file had to decide, and where it agrees much better with another
        quantity.
    sentence : str
        Where measured and predicted agree, what a fit changes, and what follows for the design.

    Examples
    --------
    >>> import loopdesign as ld
    >>> data = "tests/simulated/data/bench/"  # simulations, in the form of an analyser's export
    >>> held = ld.bench(data + "clean.nominal.toml", data + "clean.csv")
    >>> isinstance(held, ld.Bench), held.points, f"{held.difference.rms_db:.2f} dB"
    (True, 60, '0.00 dB')
    """

    def brief(self) -> Brief:
        """Say where measured and predicted agree, then the margins of both."""
        return Brief(
            verdict=self.sentence, facts=bench_facts(self), table=both_margins_table(self), notes=bench_notes(self)
        )

    def plot(self) -> Figure:
        """Lay the measured points over the predicted curve, and over the one with the fitted values.

        Returns
        -------
        matplotlib.figure.Figure
            Magnitude [dB] above phase [deg] over frequency [Hz].
        """
        from loopdesign.report.bench.plots import overlay_figure  # noqa: PLC0415  (loads matplotlib)

        return overlay_figure(self)

    def plot_difference(self) -> Figure:
        """Draw measured less predicted, and less the curve with the fitted values.

        Returns
        -------
        matplotlib.figure.Figure
            Gain [dB] above phase [deg] over frequency [Hz].
        """
        from loopdesign.report.bench.plots import difference_figure  # noqa: PLC0415  (loads matplotlib)

        return difference_figure(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class BenchStep(Shown, StepComparison):
    """Hold a measured load step beside that of the exact model; see `StepComparison` for what it holds."""

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the comparison into one row per instant, ready for a data frame.

        Returns
        -------
        list of dict
            ``time_s`` after the step [s], ``measured_v`` and ``predicted_v`` [V].
        """
        rows = zip(self.time_s, self.measured_v, self.predicted_v, strict=True)
        return [{"time_s": float(t), "measured_v": float(m), "predicted_v": float(p)} for t, m, p in rows]

    def brief(self) -> Brief:
        """Say how deviation and settling compare."""
        return Brief(verdict=self.sentence, facts=(), table=step_readings_table(self), notes=step_notes(self))

    def plot(self) -> Figure:
        """Lay the record over the step of the model, the difference below.

        Returns
        -------
        matplotlib.figure.Figure
            Output voltage [V] above the difference [V] over time [ms].
        """
        return step_overlay_figure(self)


@overload
def bench(
    case: CaseOrPath,
    data: str | PathLike[str],
    *,
    quantity: MeasuredQuantity | None = ...,
    input_voltage: float | str | Sequence[float | str] | None = ...,
    load_current: float | str | Sequence[float | str] | None = ...,
    fit: Sequence[str] | str = ...,
    redesign: bool = ...,
    columns: Sequence[int] | str | None = ...,
    values: str | None = ...,
    frequency_unit: str | None = ...,
    fitted_case: str | PathLike[str] | None = ...,
    parts: Mapping[str, float | str] | None = ...,
) -> Bench: ...


@overload
def bench(
    case: CaseOrPath,
    data: list[str | PathLike[str]] | tuple[str | PathLike[str], ...],
    *,
    quantity: MeasuredQuantity | None = ...,
    input_voltage: float | str | Sequence[float | str] | None = ...,
    load_current: float | str | Sequence[float | str] | None = ...,
    fit: Sequence[str] | str = ...,
    redesign: bool = ...,
    columns: Sequence[int] | str | None = ...,
    values: str | None = ...,
    frequency_unit: str | None = ...,
    fitted_case: str | PathLike[str] | None = ...,
    parts: Mapping[str, float | str] | None = ...,
) -> tuple[Bench, ...]: ...


@overload
def bench(
    case: CaseOrPath,
    data: None = ...,
    *,
    step: str | PathLike[str],
    input_voltage: float | str | None = ...,
    fit: Sequence[str] | str = ...,
    redesign: bool = ...,
    fitted_case: str | PathLike[str] | None = ...,
    parts: Mapping[str, float | str] | None = ...,
) -> BenchStep: ...


def bench(  # noqa: PLR0913  (one parameter for each option of the command)
    case: CaseOrPath,
    data: str | PathLike[str] | Sequence[str | PathLike[str]] | None = None,
    *,
    step: str | PathLike[str] | None = None,
    quantity: MeasuredQuantity | None = None,
    input_voltage: float | str | Sequence[float | str] | None = None,
    load_current: float | str | Sequence[float | str] | None = None,
    fit: Sequence[str] | str = (),
    redesign: bool = False,
    columns: Sequence[int] | str | None = None,
    values: str | None = None,
    frequency_unit: str | None = None,
    fitted_case: str | PathLike[str] | None = None,
    parts: Mapping[str, float | str] | None = None,
) -> Bench | BenchStep | tuple[Bench, ...]:
    """Hold the prediction against a measured response or load step, and refine parts until the two meet.

    Parameters
    ----------
    case : Case, str or Path
        The case of the board as designed, or the path of its file.
    data : str or Path, or sequence of them, optional
        File of delimited text as analysers export it: frequency with gain and phase, or real and imaginary part.
        Several files of one board are fitted at once, with one set of parts, each at its own operating point.
    step : str or Path, optional
        In place of ``data``: file of time and output voltage from an oscilloscope, held against the case's load step.
    quantity : {"loop", "plant", "output-impedance"}, optional
        What was measured; the loop unless given, and a file that looks like another quantity is then refused.
    input_voltage, load_current : float or str, or one for each file, optional
        Operating point; by the file's own words, else nominal line and highest load, unless given [V], [A].
    fit : sequence of str, or str
        Keys of the values to refine, such as ``"stage.Co.esr"``; ``"auto"`` tries single parts and pairs and takes the
        likeliest; none leaves the case as it is.
    redesign : bool
        Choose new compensation for the board as the fit found it [unitless].
    columns : sequence of int or str, optional
        Columns of frequency and of both values, counted from 1; found unless given [unitless].
    values : str, optional
        What the two columns of values hold, such as ``"dB and degrees"``; found unless given.
    frequency_unit : {"Hz", "kHz", "MHz"}, optional
        Unit of the frequencies; found unless given.
    fitted_case : str or Path, optional
        File to write the case with the fitted values to, comments kept; ``case`` must then be a path.
    parts : mapping of str to float or str, optional
        Values in place of the case's own, by designator [ohm], [F].

    Returns
    -------
    Bench, BenchStep or tuple of Bench
        Margins of both, their differences, and the fit; one for each file where several are given. Of a step, deviation
        and settling of both.

    Raises
    ------
    CaseError
        Where a case file holds faults.
    DataError
        Where a file, a word or a value makes no sense.
    NoDesignError
        Where a new design is asked for, and no combination of parts meets the targets.
    UnreachableOutputError
        Where losses keep the output below its target.

    Examples
    --------
    >>> import loopdesign as ld
    >>> data = "tests/simulated/data/bench/inverted_noisy_changed_parts"  # simulated: the board has 60 uF and 84 mohm
    >>> held = ld.bench(data + ".nominal.toml", data + ".csv", fit=["stage.Co.capacitance", "stage.Co.esr"])
    >>> [f"{part.nominal:.3g} -> {part.value:.2g}" for part in held.fit.parts.values()]
    ['0.0001 -> 6e-05', '0.028 -> 0.084']
    """
    if (data is None) == (step is None):
        raise DataError("give measured responses, or a measured load step: one of the two")
    if (redesign or fitted_case is not None) and not fit:
        raise DataError("redesign and fitted_case need fitted values: give fit as well")
    if step is not None:
        held = compare_step(as_case(case), Path(step), input_voltage=_single(input_voltage), fit=fit, parts=parts)
        if fitted_case is not None:
            _write_fitted(case, Path(fitted_case), held.fitted)
        choice = redesigned(held.board.case) if redesign and held.board is not None else None
        return shown_as(BenchStep, replace(held, redesign=choice))
    one = isinstance(data, str) or not isinstance(data, Iterable)
    files = [Path(data)] if one else [Path(p) for p in data]  # type: ignore[arg-type,union-attr]
    if not files:
        raise DataError("no measured data given; name one file or several")
    asked = Asked(
        quantity=quantity, input_voltage=input_voltage, load_current=load_current, fit=fit,
        told=told_of(columns, values, frequency_unit),
    )  # fmt: skip
    found = compare_with(as_case(case), files, asked, parts=parts)
    if fitted_case is not None:
        _write_fitted(case, Path(fitted_case), found[0].fitted)
    if redesign and found[0].board is not None:
        choice = redesigned(found[0].board.case)
        found = tuple(replace(held, redesign=choice) for held in found)
    shown = tuple(shown_as(Bench, held) for held in found)
    return shown[0] if one else shown


def _single(given: float | str | Sequence[float | str] | None) -> float | str | None:
    """Accept one value where several have no meaning."""
    if isinstance(given, list | tuple):
        raise DataError("input_voltage: a step is measured at one input voltage; give one value")
    return given  # type: ignore[return-value]


def _write_fitted(case: CaseOrPath, target: Path, values: Mapping[str, float]) -> None:
    """Write the case with the fitted values, comments kept; never over an existing file."""
    from loopdesign.bench.board import fitted_text, write_new  # noqa: PLC0415  (tomlkit is slow to load)
    from loopdesign.case import read_text  # noqa: PLC0415

    if not isinstance(case, str | PathLike):
        raise DataError("fitted_case keeps the comments of a file: give the case as its path")
    write_new(target, fitted_text(read_text(Path(case)), values, str(case)))
