"""Responses of a case at one operating point, by either model: what ``loopdesign response`` prints."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from loopdesign.analysis.check import closed_model, examine_stage
from loopdesign.analysis.given import given_parts
from loopdesign.compensation.response import compensator_response
from loopdesign.corners.converters import amplifier, divider, network_parts, one_corner
from loopdesign.errors import DataError
from loopdesign.models.averaged import average
from loopdesign.models.switched import (
    control_to_output,
    input_impedance,
    line_to_output,
    loop_gain,
    output_impedance,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    import control
    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.analysis.check import ExaminedStage
    from loopdesign.models.switched import SwitchedModel

ResponseQuantity = Literal["plant", "loop", "line", "output-impedance", "input-impedance"]
ModelName = Literal["switched", "averaged"]
QUANTITIES: tuple[ResponseQuantity, ...] = ("plant", "loop", "line", "output-impedance", "input-impedance")
_EXACT = {"line": line_to_output, "output-impedance": output_impedance, "input-impedance": input_impedance}


@dataclass(frozen=True, slots=True, kw_only=True)
class FrequencyResponse:
    """A complex response over frequency.

    Attributes
    ----------
    quantity, model
        What was asked, and of which model.
    frequencies_hz, values
        (F,) [Hz]; complex values, [V/V] or [ohm].
    stable
        Verdict of the operating point with the loop as asked for; a response of an unstable one cannot be measured.
    """

    quantity: ResponseQuantity
    model: ModelName
    frequencies_hz: NDArray[np.float64]
    values: NDArray[np.complex128]
    stable: bool

    def to_control(self) -> control.FrequencyResponseData:
        """Convert to python-control's frequency-response data."""
        import control  # noqa: PLC0415  (a second to import; only those who ask pay)

        return control.frd(self.values, 2.0 * np.pi * self.frequencies_hz)


def response(
    case: cases.Case,
    quantity: ResponseQuantity,
    frequencies_hz: NDArray[np.float64],
    *,
    input_voltage: float,
    load_current: float,
    open_loop: bool = False,
    model: ModelName = "switched",
) -> FrequencyResponse:
    """Respond at one operating point.

    Parameters
    ----------
    case
        The case; the loop's parts must be given unless the loop stays open.
    quantity
        ``plant``, ``loop``, ``line``, ``output-impedance`` or ``input-impedance``.
    frequencies_hz
        (F,) [Hz], above zero.
    input_voltage, load_current
        Operating point [V], [A].
    open_loop
        Hold the control voltage.
    model
        ``switched`` (exact) or ``averaged``.

    Returns
    -------
    FrequencyResponse
        Values at the frequencies.

    Raises
    ------
    DataError
        Where the loop is asked for and the case does not give it.
    """
    stage = examine_stage(case, one_corner(case, input_voltage, load_current))
    held = open_loop or quantity == "plant"
    if quantity == "loop" and open_loop:
        raise DataError("the loop gain exists with the loop closed only; leave out --open-loop")
    parts = {} if held else given_parts(case)
    exact = closed_model(case, stage, parts) if parts else stage.model
    values = (
        _switched(stage, exact, quantity, frequencies_hz)
        if model == "switched"
        else _averaged(case, stage, quantity, frequencies_hz, parts)
    )
    stable = bool(np.abs(exact.multipliers).max() < 1.0)
    return FrequencyResponse(
        quantity=quantity, model=model, frequencies_hz=frequencies_hz, values=values, stable=stable
    )


def _switched(
    stage: ExaminedStage, model: SwitchedModel, quantity: ResponseQuantity, frequencies_hz: NDArray[np.float64]
) -> NDArray[np.complex128]:
    if quantity == "plant":
        return control_to_output(stage.model, frequencies_hz)[0]
    if quantity == "loop":
        return loop_gain(model, frequencies_hz)[0]
    return _EXACT[quantity](model, frequencies_hz)[0]


def _averaged(
    case: cases.Case,
    stage: ExaminedStage,
    quantity: ResponseQuantity,
    frequencies_hz: NDArray[np.float64],
    parts: Mapping[str, float],
) -> NDArray[np.complex128]:
    """Respond by the averaged plant and the compensator's closed form, multiplied."""
    model = average(stage.point, stage.converter.modulator)

    def plant(source: str, output: str) -> NDArray[np.complex128]:
        return model.response(frequencies_hz, source, output)[0]

    control = plant("control", "v(out)")
    if quantity == "plant":
        return control
    compensator = np.zeros(len(frequencies_hz), complex)
    if parts:
        compensator = compensator_response(
            amplifier(case), divider(case), network_parts(case, parts), frequencies_hz
        ).reshape(-1)
    loop = control * compensator
    if quantity == "loop":
        return loop
    if quantity == "line":
        return plant("line", "v(out)") / (1.0 + loop)
    if quantity == "output-impedance":
        return -plant("load", "v(out)") / (1.0 + loop)
    feedback = plant("control", "i(line)") * compensator * plant("line", "v(out)") / (1.0 + loop)
    return -1.0 / (plant("line", "i(line)") - feedback)
