"""``response``: numbers at given frequencies for one quantity at one operating point."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from loopdesign.cli.console import display, say, tell
from loopdesign.cli.deliver import write_table
from loopdesign.cli.options import MET, CasePath, CsvFile, Json, whole_number
from loopdesign.errors import DataError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

FREQUENCIES = "100,1k,10k,100k"
"""Frequencies answered where none are asked for [Hz]."""
POINTS = 50
"""Frequencies of a sweep whose number is not given."""


def response(  # noqa: PLR0913  (one parameter for each option)
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
        str | None, Parameter(help=f'Frequencies in hertz, such as "100,1k,10k". [default: {FREQUENCIES}]')
    ] = None,
    from_: Annotated[
        str | None, Parameter(name="--from", help='Lowest frequency of a logarithmic sweep in hertz, such as "100".')
    ] = None,
    to: Annotated[
        str | None, Parameter(name="--to", help='Highest frequency of the sweep in hertz, such as "100k".')
    ] = None,
    points: Annotated[
        int | None,
        Parameter(converter=whole_number, help=f"Frequencies of the sweep, such as 200. [default: {POINTS}]"),
    ] = None,
    open_loop: Annotated[
        bool, Parameter(negative="", show_default=False, help="Hold the control voltage, so that the loop is open.")
    ] = False,
    model: Annotated[
        Literal["switched", "averaged"],
        Parameter(help="switched: exact to half the switching frequency; averaged: state-space averaging."),
    ] = "switched",
    output: Annotated[
        str | None,
        Parameter(help="Further output whose output-impedance is asked for, by name. [default: the regulated one]"),
    ] = None,
    csv: CsvFile = None,
    json_: Json = False,
) -> int:
    """Print one response at given frequencies: plant, loop gain, impedances."""
    from loopdesign.analysis.given import require_slope
    from loopdesign.analysis.responses import response as evaluate
    from loopdesign.case import load_case
    from loopdesign.report.loop.response_text import notes, response_answer, response_csv, response_text
    from loopdesign.units.quantities import parse_quantity

    hz = _frequencies(frequencies, from_, to, points)
    loaded = load_case(case)
    require_slope(loaded)
    s = loaded.specification
    voltage = s.input_voltage.nominal if input_voltage is None else parse_quantity(input_voltage, "V")
    current = s.output_current.highest if load_current is None else parse_quantity(load_current, "A")
    if voltage <= 0.0:
        raise DataError(f"--input-voltage must be above zero; found {input_voltage}")
    if current < 0.0 or (current == 0.0 and loaded.converter.rectifier == "diode"):
        raise DataError(f"--load-current must be above zero with a diode rectifier; found {load_current}")
    found = evaluate(
        loaded, quantity, frequencies_hz=hz, input_voltage=voltage, load_current=current, open_loop=open_loop,
        model=model, output=output,
    )  # fmt: skip
    if csv is not None:
        write_table(csv, response_csv(found))
    if json_:
        for text in (*notes(found), *(f"warning: {w}" for w in found.warnings)):
            tell(text)  # standard output holds the object and nothing else
        say(json_, response_answer(found), "")
        return MET
    wrote = "" if csv is None else f"\n\nwrote {csv}"
    say(json_, {}, response_text(found, display=display()) + wrote)
    return MET


def _frequencies(
    listed: str | None, lowest: str | None, highest: str | None, points: int | None
) -> NDArray[np.float64]:
    """Return the frequencies asked for [Hz]: a list, or a logarithmic sweep."""
    import numpy as np

    from loopdesign.units.quantities import parse_list, parse_quantity

    sweep = (lowest, highest, points)
    if all(x is None for x in sweep):
        hz = np.array(parse_list(listed or FREQUENCIES, "Hz"))
        if hz.min() <= 0.0:
            raise DataError(f"--frequencies must be above zero; found {listed}")
        return hz
    if listed is not None:
        raise DataError(
            "--frequencies lists every frequency, and --from, --to and --points make a sweep: give one of the two"
        )
    if lowest is None or highest is None:
        raise DataError("a sweep needs both --from and --to, such as --from 100 --to 100k")
    low, high, count = parse_quantity(lowest, "Hz"), parse_quantity(highest, "Hz"), POINTS if points is None else points
    if not 0.0 < low < high:
        raise DataError(f"--from must be above zero and below --to; found {lowest} and {highest}")
    if count < 2:
        raise DataError(f"--points is {count}; a sweep has at least 2")
    return np.geomspace(low, high, count)
