"""``bench``: the prediction held against a measured response."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from loopdesign.bench.hold import compare_with
from loopdesign.bench.result import BenchResult
from loopdesign.front.case import as_case
from loopdesign.front.shown import Shown, shown_as
from loopdesign.report.basics.brief import Brief
from loopdesign.report.bench.text import bench_facts, bench_notes, both_margins_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from os import PathLike

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
    point, stable
        Operating point with where it is known from, and the verdict of the model there.
    measured, predicted, difference
        Margins of both curves, and how far these lie apart.
    fit
        Refined parts with their 95 % intervals; None where none was asked for.
    sentence : str
        Where measured and predicted agree.

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


def bench(
    case: CaseOrPath,
    data: str | PathLike[str],
    *,
    quantity: MeasuredQuantity | None = None,
    input_voltage: float | str | None = None,
    load_current: float | str | None = None,
    fit: Sequence[str] = (),
    parts: Mapping[str, float | str] | None = None,
) -> Bench:
    """Hold the prediction against a measured response, and refine parts until the two meet.

    Parameters
    ----------
    case : Case, str or Path
        The case of the board as designed, or the path of its file.
    data : str or Path
        File of delimited text as analysers export it: frequency with gain and phase, or real and imaginary part.
    quantity : {"loop", "plant", "output-impedance"}, optional
        What was measured; the loop unless given, and a file that looks like another quantity is then refused.
    input_voltage, load_current : float or str, optional
        Operating point; by the file's own words, else nominal line and highest load, unless given [V], [A].
    fit : sequence of str
        Keys of the values to refine, such as ``"stage.Co.esr"``; none leaves the case as it is.
    parts : mapping of str to float or str, optional
        Values in place of the case's own, by designator [ohm], [F].

    Returns
    -------
    Bench
        Margins of both, their differences, and the fit.

    Raises
    ------
    CaseError
        Where a case file holds faults.
    DataError
        Where the file, a word or a value makes no sense.
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
    return shown_as(
        Bench,
        compare_with(
            as_case(case),
            Path(data),
            quantity=quantity,
            input_voltage=input_voltage,
            load_current=load_current,
            fit=fit,
            parts=parts,
        ),
    )
