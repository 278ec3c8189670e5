"""``response``: numbers at given frequencies for one quantity at one operating point."""

from __future__ import annotations

from typing import Annotated, Literal

from cyclopts import Parameter

from loopdesign.cli.console import display, say, tell
from loopdesign.cli.options import MET, CasePath, Json
from loopdesign.errors import DataError


def response(
    case: CasePath,
    /,
    *,
    quantity: Annotated[
        Literal["plant", "loop", "line", "output-impedance", "input-impedance"],
        Parameter(
            help="plant: control voltage to output; loop: loop gain as an analyser measures it; line: input voltage to "
            "output; output-impedance and input-impedance in ohm."
        ),
    ] = "plant",
    input_voltage: Annotated[
        str | None, Parameter(help='Input voltage in volts, such as "13V". [default: nominal]')
    ] = None,
    load_current: Annotated[
        str | None, Parameter(help='Load current in amperes, such as "1.5A" or "800mA". [default: highest]')
    ] = None,
    frequencies: Annotated[
        str, Parameter(help='Frequencies in hertz, separated by commas, such as "100,1k,10k".')
    ] = "100,1k,10k,100k",
    open_loop: Annotated[
        bool, Parameter(negative="", show_default=False, help="Hold the control voltage, so that the loop is open.")
    ] = False,
    model: Annotated[
        Literal["switched", "averaged"],
        Parameter(help="switched: exact to half the switching frequency; averaged: state-space averaging."),
    ] = "switched",
    json_: Json = False,
) -> int:
    """Print one response at given frequencies: plant, loop gain, impedances."""
    import numpy as np

    from loopdesign.analysis.given import require_slope
    from loopdesign.analysis.responses import response as evaluate
    from loopdesign.case import load_case
    from loopdesign.report.loop.terminal import OSCILLATES, response_text
    from loopdesign.units.quantities import parse_list, parse_quantity

    loaded = load_case(case)
    require_slope(loaded)
    s = loaded.specification
    hz = np.array(parse_list(frequencies, "Hz"))
    voltage = s.input_voltage.nominal if input_voltage is None else parse_quantity(input_voltage, "V")
    current = s.output_current.highest if load_current is None else parse_quantity(load_current, "A")
    if hz.size == 0 or hz.min() <= 0.0:
        raise DataError(f"--frequencies must be above zero; found {frequencies}")
    if voltage <= 0.0:
        raise DataError(f"--input-voltage must be above zero; found {input_voltage}")
    if current < 0.0 or (current == 0.0 and loaded.converter.rectifier == "diode"):
        raise DataError(f"--load-current must be above zero with a diode rectifier; found {load_current}")
    found = evaluate(
        loaded,
        quantity,
        frequencies_hz=hz,
        input_voltage=voltage,
        load_current=current,
        open_loop=open_loop,
        model=model,
    )
    answer = {
        "quantity": quantity,
        "frequencies_hz": [float(f) for f in hz],
        "real": [float(v.real) for v in found.values],
        "imag": [float(v.imag) for v in found.values],
        "model": model,
    }
    if json_ and not found.stable:
        tell(OSCILLATES)  # standard output holds the object and nothing else
    say(json_, answer, "" if json_ else response_text(found, display=display()))
    return MET
