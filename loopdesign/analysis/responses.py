"""Responses of a case at one operating point, by either model: what ``loopdesign response`` prints.

The averaged answers are those of the averaged plant and the compensator's closed form. With P from control to output,
G from line to output, Z the fall of the output per ampere drawn, all with the control voltage held, and C the
compensator, the loop closed gives G/(1 + PC) and Z/(1 + PC) (R. W. Erickson, D. Maksimovic, *Fundamentals of Power
Electronics*, 3rd ed., 2020, chapter 9; from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeAlias, get_args

import numpy as np

from loopdesign.analysis.check import closed_model, examine_stage
from loopdesign.analysis.given import (
    given_parts,
    one_of,
    outside_specification,
    read_frequencies,
    read_quantity,
    require_slope,
    with_parts,
)
from loopdesign.analysis.grids import followed_phase_deg
from loopdesign.analysis.outputs.impedance import named_impedance
from loopdesign.compensation.response import compensator_response
from loopdesign.corners.controller import bounds
from loopdesign.corners.converters import amplifier, divider, network_parts, one_corner
from loopdesign.corners.trouble import names_file
from loopdesign.errors import DataError
from loopdesign.models import switched
from loopdesign.models.averaged import average
from loopdesign.models.verdict import verdicts

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    import control
    from numpy.typing import ArrayLike, NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.models.averaged import AveragedModel
    from loopdesign.models.switched import SwitchedModel
    from loopdesign.models.verdict import Mode

ResponseQuantity = Literal["plant", "loop", "line", "output-impedance", "input-impedance"]
ModelName = Literal["switched", "averaged"]
Real: TypeAlias = "NDArray[np.float64]"
Complex: TypeAlias = "NDArray[np.complex128]"
QUANTITIES: tuple[ResponseQuantity, ...] = get_args(ResponseQuantity)
MODELS: tuple[ModelName, ...] = get_args(ModelName)


PLAIN = ("model", "output", "open_loop", "input_voltage", "load_current", "temperature", "mode", "duty", "stable")
"""Fields that stand in JSON as they are."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FrequencyResponse:
    """A complex response over frequency, with the operating point it belongs to and the verdict there.

    Attributes
    ----------
    quantity : str
        ``plant`` (control to what is sensed), ``loop``, ``line`` (input voltage to output) [unitless];
        ``output-impedance``, ``input-impedance`` [ohm].
    model : {"switched", "averaged"}
        Which model answers.
    open_loop : bool
        Whether the control voltage is held; always so for ``plant``.
    frequencies_hz : ndarray (F,)
        Frequencies [Hz].
    values : ndarray (F,)
        Complex values [unitless] or [ohm].
    input_voltage, load_current, temperature : float
        Operating point [V], [A], [degC].
    mode : {"CCM", "DCM"}
        Continuous or discontinuous conduction.
    duty : float
        On-time over period [unitless].
    stable : bool
        Verdict of the operating point with the loop as asked for; what oscillates no analyser reads.
    held : str or None
        Why the converter does not stay at this operating point; None where it does.
    largest_multiplier : float
        Largest size of a characteristic multiplier, loop as asked for [unitless].
    worst_mode : Mode
        The mode that belongs to it.
    unwrapped_phase_deg : ndarray (F,)
        Phase without jumps, followed from the lowest frequency of the band up, where it lies in (-180, 180] [deg].
    warnings : tuple of str
        What the numbers should not be used for, such as a level outside the specification.
    case : Case or None
        The case they belong to.
    output : str or None
        Further output whose impedance it is; None where it is the regulated one.
    """

    quantity: ResponseQuantity
    model: ModelName
    open_loop: bool
    frequencies_hz: NDArray[np.float64]
    values: NDArray[np.complex128]
    input_voltage: float
    load_current: float
    temperature: float
    mode: Literal["CCM", "DCM"]
    duty: float
    stable: bool
    held: str | None
    largest_multiplier: float
    worst_mode: Mode
    unwrapped_phase_deg: NDArray[np.float64]
    warnings: tuple[str, ...] = ()
    case: cases.Case | None = None
    output: str | None = None

    @property
    def phase_deg(self) -> NDArray[np.float64]:
        """Phase (F,) in (-180, 180] [deg]."""
        return np.degrees(np.angle(self.values))

    @property
    def impedance(self) -> bool:
        """Whether the values are in ohm."""
        return self.quantity.endswith("impedance")

    def to_control(self) -> control.FrequencyResponseData:
        """Convert to the frequency-response data of python-control.

        Returns
        -------
        control.FrequencyResponseData
            Values over angular frequency [rad/s].
        """
        import control  # noqa: PLC0415  (a second to import; only those who ask pay)

        return control.frd(self.values, 2.0 * np.pi * self.frequencies_hz)

    def to_dict(self) -> dict[str, Any]:
        """Turn the response into plain numbers and words, ready for JSON.

        Returns
        -------
        dict
            The object of ``response --json``.
        """
        return {
            "quantity": self.quantity,
            "frequencies_hz": [float(f) for f in self.frequencies_hz],
            "real": [float(v.real) for v in self.values],
            "imag": [float(v.imag) for v in self.values],
            "phase_deg": [float(v) for v in self.phase_deg],
            "unwrapped_phase_deg": [float(v) for v in self.unwrapped_phase_deg],
            **{name: getattr(self, name) for name in PLAIN},
            "held": self.held,
            "largest_multiplier": self.largest_multiplier,
            "worst_mode": self.worst_mode.to_dict(),
            "warnings": list(self.warnings),
        }

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the response into one row per frequency, ready for a data frame.

        Returns
        -------
        list of dict
            ``frequency_hz`` [Hz]; ``real``, ``imag``, ``magnitude`` [unitless] or [ohm]; ``phase_deg`` and
            ``unwrapped_phase_deg`` [deg]; and ``stable``, the verdict of the operating point, on every row.
        """
        return [
            {
                "frequency_hz": float(f),
                "real": float(v.real),
                "imag": float(v.imag),
                "magnitude": float(abs(v)),
                "phase_deg": float(np.degrees(np.angle(v))),
                "unwrapped_phase_deg": float(phase),
                "stable": self.stable,
            }
            for f, v, phase in zip(self.frequencies_hz, self.values, self.unwrapped_phase_deg, strict=True)
        ]


@names_file("no response")
def response(  # noqa: PLR0913  (one parameter for each option)
    case: cases.Case,
    quantity: ResponseQuantity,
    *,
    frequencies_hz: ArrayLike | Sequence[float | str],
    input_voltage: float | str | None = None,
    load_current: float | str | None = None,
    model: ModelName = "switched",
    open_loop: bool = False,
    parts: Mapping[str, float | str] | None = None,
    output: str | None = None,
) -> FrequencyResponse:
    """Respond at one operating point, nominal parts at the nominal temperature.

    Parameters
    ----------
    case : Case
        The case; the loop's parts must be given unless the loop stays open.
    quantity : {"plant", "loop", "line", "output-impedance", "input-impedance"}
        What to evaluate.
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
        Further output whose impedance is asked for.

    Returns
    -------
    FrequencyResponse
        Values, operating point and verdict.

    Raises
    ------
    DataError
        Where a word is unknown, a value makes no sense, or the loop is asked for and the case does not give it.
    UnreachableOutputError
        Where losses keep the output below its target.
    """
    quantity, model = one_of(quantity, QUANTITIES, "quantity"), one_of(model, MODELS, "model")
    if quantity == "loop" and open_loop:
        raise DataError("the loop gain exists with the loop closed only; ask for it without open loop")
    hz = read_frequencies(frequencies_hz)
    case = with_parts(case, parts)
    require_slope(case)
    stage = examine_stage(case, one_corner(case, *_operating_point(case, input_voltage, load_current)))
    held_open = open_loop or quantity == "plant"
    given = {} if held_open else given_parts(case)
    exact = stage.model if held_open else closed_model(case, stage, given)
    verdict = verdicts(stage.model, None if held_open else exact, bounds(case, stage.conditions))[0]

    def evaluate(f: Real) -> Complex:
        if output is not None:
            return named_impedance(case, exact, output, (quantity, model), f)
        return _averaged(case, stage, quantity, f, given) if model == "averaged" else _SWITCHED[quantity](exact, f)[0]

    return FrequencyResponse(
        quantity=quantity,
        model=model,
        open_loop=held_open,
        frequencies_hz=hz,
        values=evaluate(hz),
        input_voltage=float(stage.conditions.input_voltage[0]),
        load_current=float(stage.conditions.load_current[0]),
        temperature=float(stage.conditions.temperature[0]),
        mode="DCM" if stage.point.discontinuous[0] else "CCM",
        duty=float(stage.point.duty[0]),
        stable=bool(verdict.stable),
        held=verdict.held,
        largest_multiplier=float(verdict.largest_multiplier),
        worst_mode=verdict.worst_mode,
        unwrapped_phase_deg=followed_phase_deg(evaluate, hz, stage.plants[0], 1.0 / float(stage.converter.period)),
        warnings=outside_specification(case, stage.conditions),
        case=case,
        output=output,
    )


def _operating_point(
    case: cases.Case, input_voltage: float | str | None, load_current: float | str | None
) -> tuple[float, float]:
    """Input voltage [V] and load current [A] asked for; nominal line and highest load unless given."""
    s = case.specification
    voltage = s.input_voltage.nominal if input_voltage is None else read_quantity(input_voltage, "V", "input_voltage")
    current = s.output_current.highest if load_current is None else read_quantity(load_current, "A", "load_current")
    if voltage <= 0.0:
        raise DataError(f"input_voltage must be above zero; found {voltage:g} V")
    if current < 0.0:
        raise DataError(f"load_current must not be negative; found {current:g} A")
    if current == 0.0 and case.converter.rectifier == "diode":
        raise DataError("load_current must be above zero with a diode rectifier; found 0 A")
    return voltage, current


_SWITCHED: dict[ResponseQuantity, Callable[[SwitchedModel, Real], Complex]] = {
    "plant": switched.control_to_output,
    "loop": switched.loop_gain,
    "line": switched.line_to_output,
    "output-impedance": switched.output_impedance,
    "input-impedance": switched.input_impedance,
}


def _averaged(
    case: cases.Case,
    stage: ExaminedStage,
    quantity: ResponseQuantity,
    frequencies_hz: Real,
    parts: Mapping[str, float],
) -> Complex:
    """Respond by the averaged plant and the compensator's closed form, multiplied."""
    compensator = np.zeros(len(frequencies_hz), complex)
    if parts:
        network = network_parts(case, parts)
        compensator = compensator_response(amplifier(case), divider(case), network, frequencies_hz).reshape(-1)
    model = average(stage.point, stage.converter.modulator)
    return _AVERAGED[quantity](model, frequencies_hz, compensator)


def _plant(model: AveragedModel, hz: Real, _: Complex) -> Complex:
    return model.response(hz, "control", "v(regulated)")[0]


def _loop(model: AveragedModel, hz: Real, c: Complex) -> Complex:
    return _plant(model, hz, c) * c


def _closed(model: AveragedModel, hz: Real, c: Complex, way: tuple[str, str]) -> Complex:
    """Respond from one input to one output, loop closed; the feedback may sense another place than the output."""
    source, output = way
    feedback = model.response(hz, "control", output)[0] * c * model.response(hz, source, "v(regulated)")[0]
    return model.response(hz, source, output)[0] - feedback / (1.0 + _loop(model, hz, c))


def _line(model: AveragedModel, hz: Real, c: Complex) -> Complex:
    return _closed(model, hz, c, ("line", "v(out)"))


def _input_impedance(model: AveragedModel, hz: Real, c: Complex) -> Complex:
    """Invert the current drawn per volt of line, less what the loop adds by moving the control voltage."""
    feedback = model.response(hz, "control", "i(line)")[0] * c * _line(model, hz, c)
    return -1.0 / (model.response(hz, "line", "i(line)")[0] - feedback)


_AVERAGED: dict[
    ResponseQuantity,
    Callable[[AveragedModel, Real, Complex], Complex],
] = {
    "plant": _plant,
    "loop": _loop,
    "line": _line,
    "output-impedance": lambda model, hz, c: -_closed(model, hz, c, ("load", "v(out)")),
    "input-impedance": _input_impedance,
}
