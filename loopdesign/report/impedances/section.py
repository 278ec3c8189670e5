"""Impedances and line rejection in the report: what load and source see, at every corner."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.report.basics.status import verdict_word
from loopdesign.report.basics.tables import INPUT, LOAD, Column, Table
from loopdesign.report.impedances.plots import TITLE

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from loopdesign.analysis.impedances import Impedances
    from loopdesign.report.basics.tables import CellValue


def impedance_paragraphs(study: Impedances) -> tuple[str, ...]:
    """Say what is shown, and of which corners nothing can be read."""
    loop = "with the loop closed" if study.closed else "with the control voltage held, for no loop is given"
    told = (
        f"By the switched model, {loop}, up to half the switching frequency. The output impedance is the output "
        "voltage per ampere drawn; line to output is the output voltage per volt of input, so that -40 dB means a "
        "hundredth. The numbers in the table are the extremes over all frequencies."
    )
    if all(study.stable(i) for i in range(len(study.output))):
        return (told,)
    warning = (
        "These responses cannot be measured at a corner that is not stable: its curves only show what the linear "
        "model says, and the table leaves its numbers out."
    )
    return told, warning


def impedance_table(study: Impedances) -> Table:
    """List the largest output impedance, the weakest line rejection and the smallest input impedance of every corner.

    Parameters
    ----------
    study
        Responses at every corner.

    Returns
    -------
    Table
        One row per corner; one that is not stable has its verdict and no numbers.
    """
    columns = (
        INPUT, LOAD, Column(heading="verdict"), Column(heading="largest output impedance", unit="ohm"),
        Column(heading="peak at", unit="Hz"), Column(heading="weakest rejection", unit="dB"),
        Column(heading="weakest at", unit="Hz"), Column(heading="smallest input impedance", unit="ohm"),
        Column(heading="smallest at", unit="Hz"),
        *(Column(heading=f"largest impedance of {name}", unit="ohm") for name in study.further),
    )  # fmt: skip
    corners = study.check.conditions
    rows: list[tuple[CellValue, ...]] = []
    for item in range(len(corners)):
        word = verdict_word(study.check.verdicts[item])
        head = (float(corners.input_voltage[item]), float(corners.load_current[item]), word)
        numbers: tuple[CellValue, ...] = (None,) * (6 + len(study.further))
        if study.stable(item):
            out, line, least = study.output_peak(item), study.line_peak(item), study.input_least(item)
            db = float(_db(np.array([line.value]))[0])
            more = (study.further_peak(name, item).value for name in study.further)
            numbers = (out.value, out.frequency_hz, db, line.frequency_hz, least.value, least.frequency_hz, *more)
        rows.append((*head, *numbers))
    return Table(title=TITLE, columns=columns, rows=tuple(rows))


def _db(size: NDArray[np.float64]) -> NDArray[np.float64]:
    return 20.0 * np.log10(np.maximum(size, 1e-12))


def impedance_answer(study: Impedances) -> dict[str, Any]:
    """Turn the responses into plain numbers.

    Parameters
    ----------
    study
        Responses at every corner.

    Returns
    -------
    dict
        ``frequencies_hz``, and per corner its conditions, its verdict and real and imaginary parts of the responses.
    """
    corners = study.check.conditions
    return {
        "closed_loop": study.closed,
        "frequencies_hz": [float(f) for f in study.frequencies_hz],
        "corners": [
            {
                "input_voltage": float(corners.input_voltage[item]),
                "load_current": float(corners.load_current[item]),
                "stable": study.stable(item),
                "output_impedance_ohm": _complex(study.output[item]),
                "line_to_output": _complex(study.line[item]),
                "input_impedance_ohm": _complex(study.input[item]),
                **_further(study, item),
            }
            for item in range(len(corners))
        ],
    }


def _further(study: Impedances, item: int) -> dict[str, Any]:
    """Output impedance of the further outputs by name; nothing where the stage has none."""
    if not study.further:
        return {}
    return {"further_impedance_ohm": {name: _complex(values[item]) for name, values in study.further.items()}}


def _complex(values: NDArray[np.complex128]) -> dict[str, list[float]]:
    return {"real": [float(v) for v in values.real], "imag": [float(v) for v in values.imag]}
