"""A response as text for the terminal, as the object that ``--json`` prints, and as comma-separated values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.report.basics import tables
from loopdesign.report.basics.layout import PIPE, Display, laid_out, lettered, paragraph
from loopdesign.report.basics.status import judged_word

if TYPE_CHECKING:
    from loopdesign.analysis.responses import FrequencyResponse
    from loopdesign.models.verdict import Verdict

UNSTABLE = (
    "UNSTABLE: with the loop as asked for, a disturbance of this operating point grows. The numbers are those of the "
    "linear model around it; they cannot be measured with the loop in that state."
)
NOT_HELD = (
    "NOT HELD ({held}): the controller does not stay at this operating point. The numbers are those of the linear "
    "model around it; no instrument could measure them."
)


def response_table(found: FrequencyResponse) -> tables.Table:
    """Set magnitude and phase beside each frequency; gains in dB, impedances in ohm.

    Parameters
    ----------
    found
        The response.
    """
    size = np.abs(found.values)
    with np.errstate(divide="ignore"):
        magnitude = size if found.impedance else 20.0 * np.log10(size)
    columns = (
        tables.Column(heading="frequency", unit="Hz", digits=4, key=True),
        tables.Column(heading="magnitude", unit="ohm" if found.impedance else "dB", digits=4),
        tables.Column(heading="phase", unit="deg", digits=4),
        tables.Column(heading="phase unwrapped", unit="deg", digits=4),
    )
    columns_of = (found.frequencies_hz, magnitude, found.phase_deg, found.unwrapped_phase_deg)
    rows = zip(*(values.tolist() for values in columns_of), strict=True)
    return tables.Table(title=response_heading(found), columns=columns, rows=tuple(rows))


def response_heading(found: FrequencyResponse) -> str:
    """Say what the numbers are, at which operating point, and whether it is stable.

    Parameters
    ----------
    found
        The response.
    """
    place = f"{found.input_voltage:.4g} V, {found.load_current:.3g} A, {found.temperature:.3g} degC"
    loop = "control voltage held" if found.open_loop else "loop closed"
    point = f"{found.mode}, duty {found.duty:.3g}, largest multiplier {found.largest_multiplier:.4g}"
    quantity = found.quantity if found.output is None else f"{found.quantity} of {found.output}"
    return f"{quantity}, {found.model} model, {point}, at {place}, {loop}: {judged_word(found)}"


def response_text(found: FrequencyResponse, *, display: Display = PIPE) -> str:
    """Lay out a response: frequency, magnitude and phase.

    Parameters
    ----------
    found
        The response.
    display
        What it is shown on.

    Returns
    -------
    str
        A table, its operating point and verdict in the title; below it a sentence where that is unstable or not held,
        and the warnings.
    """
    told = [*notes(found), *(f"warning: {w}" for w in found.warnings)]
    below = [lettered(paragraph(text, display), display) for text in told]
    return "\n\n".join([laid_out(response_table(found), display), *below])


def notes(found: Verdict | FrequencyResponse) -> tuple[str, ...]:
    """Say what the numbers are worth at an operating point that is unstable or not held; nothing elsewhere.

    Parameters
    ----------
    found
        The response, or the verdict of its operating point.
    """
    if found.stable:
        return ()
    if found.held is not None and found.worst_mode.stable:
        return (NOT_HELD.format(held=found.held),)
    return (UNSTABLE,)


def response_answer(found: FrequencyResponse) -> dict[str, Any]:
    """Turn a response into the object that ``--json`` prints.

    Parameters
    ----------
    found
        The response.
    """
    return found.to_dict()


def response_csv(found: FrequencyResponse) -> str:
    """Write a response as comma-separated values: comments with the operating point and the verdict, then one row each.

    Parameters
    ----------
    found
        The response.

    Returns
    -------
    str
        Columns ``frequency_hz``, ``real``, ``imag``, magnitude in dB or ohm, ``phase_deg`` and ``unwrapped_phase_deg``,
        with every digit.
    """
    magnitude = "magnitude_ohm" if found.impedance else "magnitude_db"
    remarks = [response_heading(found), *(f"warning: {w}" for w in found.warnings)]
    lines = [*(f"# {text}" for text in remarks), f"frequency_hz,real,imag,{magnitude},phase_deg,unwrapped_phase_deg"]
    for (hz, size, phase, unwrapped), value in zip(response_table(found).rows, found.values.tolist(), strict=True):
        lines.append(f"{hz!r},{value.real!r},{value.imag!r},{size!r},{phase!r},{unwrapped!r}")
    return "\n".join(lines) + "\n"
