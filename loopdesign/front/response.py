"""``response``: numbers at given frequencies for one quantity at one operating point."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from loopdesign.analysis import responses
from loopdesign.analysis.responses import FrequencyResponse
from loopdesign.front.case import as_case
from loopdesign.front.shown import Shown, shown_as
from loopdesign.report.basics.brief import Brief
from loopdesign.report.basics.status import judged_word
from loopdesign.report.loop.response_text import notes, response_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from matplotlib.figure import Figure
    from numpy.typing import ArrayLike

    from loopdesign.analysis.responses import ModelName, ResponseQuantity
    from loopdesign.front.case import CaseOrPath


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Response(Shown, FrequencyResponse):
    """Hold a complex response over frequency, with the operating point it belongs to and the verdict there.

    Attributes
    ----------
    frequencies_hz, values : ndarray (F,)
        Frequencies [Hz] and complex values [unitless] or [ohm].
    quantity, model, open_loop
        What was asked, of which model, and whether the control voltage is held.
    input_voltage, load_current, temperature : float
        Operating point [V], [A], [degC].
    mode, duty, stable, held, largest_multiplier, worst_mode
        The operating point and its verdict, named as those of a corner.
    phase_deg, unwrapped_phase_deg : ndarray (F,)
        Phase in (-180, 180], and without jumps, followed from the lowest frequency of the band up [deg].
    warnings : tuple of str
        Levels outside the specification.
    case
        The case.

    Examples
    --------
    >>> import loopdesign as ld
    >>> answer = ld.response("cases/tide_gauge_sepic_undamped.toml", "loop", frequencies_hz=["1k"], input_voltage=8)
    >>> answer.stable, answer.worst_mode.name
    (False, 'coupling resonance')
    >>> system = answer.to_control()  # frequency-response data of python-control
    """

    def brief(self) -> Brief:
        """Say where and whether it is stable, then the numbers."""
        place = f"{self.input_voltage:.4g} V, {self.load_current:.3g} A, {self.temperature:.3g} degC ({self.mode})"
        loop = "control voltage held" if self.open_loop else "loop closed"
        said = f"{self.quantity.replace('-', ' ')} by the {self.model} model at {place}, {loop}"
        word = judged_word(self)
        told = (*notes(self), *(f"warning: {w}" for w in self.warnings))
        return Brief(verdict=f"{word[0].upper()}{word[1:]}: {said}", table=response_table(self), notes=told)

    def plot(self) -> Figure:
        """Draw magnitude and phase over frequency.

        Returns
        -------
        matplotlib.figure.Figure
            Magnitude [dB] or [ohm] above phase [deg] over frequency [Hz].
        """
        from loopdesign.report.loop.response_plot import response_figure  # noqa: PLC0415  (loads matplotlib)

        return response_figure(self)


def response(  # noqa: PLR0913  (one parameter for each option)
    case: CaseOrPath,
    quantity: ResponseQuantity,
    *,
    frequencies_hz: ArrayLike | Sequence[float | str],
    input_voltage: float | str | None = None,
    load_current: float | str | None = None,
    model: ModelName = "switched",
    open_loop: bool = False,
    parts: Mapping[str, float | str] | None = None,
    output: str | None = None,
) -> Response:
    """Respond at one operating point, nominal parts at the nominal temperature.

    Parameters
    ----------
    case : Case, str or Path
        The case, or the path of its file; the loop's parts must be given unless the loop stays open.
    quantity : {"plant", "loop", "line", "output-impedance", "input-impedance"}
        Control to output, loop gain as an analyser reads it, input voltage to output [unitless]; impedances [ohm].
    frequencies_hz : array_like (F,) of float or str
        Frequencies above zero, as numbers or as text such as ``"10k"`` [Hz].
    input_voltage : float or str, optional
        Input voltage; nominal unless given [V].
    load_current : float or str, optional
        Load current; the highest unless given [A].
    model : {"switched", "averaged"}
        Exact, or averaged for insight.
    open_loop : bool
        Hold the control voltage [unitless].
    parts : mapping of str to float or str, optional
        Values in place of the case's own, by designator [ohm], [F].
    output : str, optional
        Further output whose impedance is asked for; the regulated one unless given.

    Returns
    -------
    Response
        Values, operating point and verdict.

    Raises
    ------
    CaseError
        Where a case file holds faults.
    DataError
        Where a word is unknown, a value makes no sense, or the loop is asked for and the case does not give it.
    UnreachableOutputError
        Where losses keep the output below its target.

    Examples
    --------
    >>> import loopdesign as ld
    >>> case = ld.load_case("cases/tide_gauge_sepic_undamped.toml")
    >>> answer = ld.response(case, "output-impedance", frequencies_hz=[100.0, 1e3], load_current="1.2 A")
    >>> [f"{abs(value):.3f} ohm" for value in answer.values]
    ['0.060 ohm', '0.344 ohm']
    """
    return shown_as(
        Response,
        responses.response(
            as_case(case),
            quantity,
            frequencies_hz=frequencies_hz,
            input_voltage=input_voltage,
            load_current=load_current,
            model=model,
            open_loop=open_loop,
            parts=parts,
            output=output,
        ),
    )
