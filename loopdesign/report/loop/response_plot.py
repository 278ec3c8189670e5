"""Bode plot of one response: magnitude above phase. Nothing is computed here but the units of the axes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.report.basics import axes as shared
from loopdesign.report.basics.sheet import NORMAL, SheetLayout, heading, panels, place
from loopdesign.report.basics.status import judged_word

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from loopdesign.analysis.responses import FrequencyResponse

HEIGHT = 2.3
"""Height of each panel [inch]."""
MARKED = 60
"""Up to so many frequencies each is marked."""
LEAST_DB, LEAST_DEG = 1.0, 5.0
"""Smallest ranges of the axes [dB], [deg]."""
FLATTEST = 90.0
"""Range of phase [deg] from which the ticks stand at multiples of 45 degrees."""


def response_figure(answer: FrequencyResponse) -> Figure:
    """Draw a response, the verdict of its operating point in the title.

    Parameters
    ----------
    answer : FrequencyResponse
        Values over frequency [Hz].

    Returns
    -------
    Figure
        Magnitude [dB], of an impedance [Ω] on a logarithmic axis, above phase [deg].
    """
    at = place(answer.input_voltage, answer.load_current)
    title = f"{answer.quantity.replace('-', ' ')}, {answer.model} model, {at}: {judged_word(answer)}"
    covers = f"nominal parts, {'control voltage held' if answer.open_loop else 'loop closed'}"
    layout = SheetLayout(rows=2, columns=1, heights=(HEIGHT, HEIGHT))
    figure, grid = panels(heading(answer.case, title, covers=covers), layout)
    upper, lower = grid[:, 0]
    order = np.argsort(answer.frequencies_hz)
    hz, size = answer.frequencies_hz[order], np.abs(answer.values[order])
    marks: dict[str, Any] = {"color": shared.PALETTE[0], "linewidth": 1.3, "marker": "." if len(hz) <= MARKED else None}
    phase = answer.unwrapped_phase_deg[order]
    if answer.impedance:
        upper.plot(hz, size, **marks)
        _impedance_limits(upper, size)
        upper.set_ylabel("magnitude [Ω]", fontsize=NORMAL)
    else:
        with np.errstate(divide="ignore"):
            db = 20.0 * np.log10(size)
        upper.plot(hz, db, **marks)
        shared.level_axis(upper, [db], LEAST_DB)
        upper.set_ylabel("magnitude [dB]", fontsize=NORMAL)
    lower.plot(hz, phase, **marks)
    shared.level_axis(lower, [phase], LEAST_DEG)
    lower.set_ylabel("phase [deg]", fontsize=NORMAL)
    if hz[-1] > hz[0]:
        for ax in (upper, lower):
            shared.frequency_axis(ax, hz, named=ax is lower)
    lower.set_xlabel("frequency [Hz]", fontsize=NORMAL)
    if np.ptp(lower.get_ylim()) >= FLATTEST:
        shared.phase_ticks(lower)
    return figure


def _impedance_limits(ax: Any, size: Any) -> None:  # noqa: ANN401  (axes and an array)
    """Give a logarithmic axis whole decades, or a third of one where the curve is flat."""
    some = size[size > 0.0]
    if not len(some):
        return
    low, high = np.floor(3.0 * np.log10(some.min())) / 3.0, np.ceil(3.0 * np.log10(some.max())) / 3.0
    shared.impedance_axis(ax, 10.0 ** (low - 0.05), 10.0 ** (max(high, low + 1.0 / 3.0) + 0.05))
