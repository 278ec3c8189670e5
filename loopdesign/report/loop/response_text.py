"""A response as text for the terminal, as the object that ``--json`` prints, and as comma-separated values."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.report.basics import tables
from loopdesign.report.basics.layout import PIPE, Display, laid_out, lettered, paragraph
from loopdesign.report.basics.status import stable_word

if TYPE_CHECKING:
    from loopdesign.analysis.responses import FrequencyResponse

OSCILLATES = (
    "UNSTABLE: with the loop as asked for, the converter oscillates at this operating point. The numbers are those of "
    "the linear model around it; no instrument could measure them."
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
    )
    phase = np.degrees(np.angle(found.values))
    rows = zip(found.frequencies_hz.tolist(), magnitude.tolist(), phase.tolist(), strict=True)
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
    return f"{found.quantity}, {found.model} model, at {place}, {loop}: {stable_word(found.stable)}"


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
        A table, its operating point and verdict in the title; a sentence below it where that is unstable.
    """
    text = laid_out(response_table(found), display)
    return text if found.stable else f"{text}\n\n{lettered(paragraph(OSCILLATES, display), display)}"


def response_answer(found: FrequencyResponse) -> dict[str, Any]:
    """Turn a response into the object that ``--json`` prints.

    Parameters
    ----------
    found
        The response.
    """
    return {
        "quantity": found.quantity,
        "frequencies_hz": found.frequencies_hz.tolist(),
        "real": found.values.real.tolist(),
        "imag": found.values.imag.tolist(),
        "model": found.model,
        "input_voltage": float(found.input_voltage),
        "load_current": float(found.load_current),
        "temperature": float(found.temperature),
        "stable": bool(found.stable),
    }


def response_csv(found: FrequencyResponse) -> str:
    """Write a response as comma-separated values: comments with the operating point and the verdict, then one row each.

    Parameters
    ----------
    found
        The response.

    Returns
    -------
    str
        Columns ``frequency_hz``, ``real``, ``imag``, magnitude in dB or ohm, and ``phase_deg``, with every digit.
    """
    magnitude = "magnitude_ohm" if found.impedance else "magnitude_db"
    lines = [f"# {response_heading(found)}", f"frequency_hz,real,imag,{magnitude},phase_deg"]
    for (hz, size, phase), value in zip(response_table(found).rows, found.values.tolist(), strict=True):
        lines.append(f"{hz!r},{value.real!r},{value.imag!r},{size!r},{phase!r}")
    return "\n".join(lines) + "\n"
