"""Bode plot of one response: magnitude above phase. Nothing is computed here but the units of the axes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.report.basics import axes as shared

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from numpy.typing import NDArray

    from loopdesign.analysis.responses import FrequencyResponse

SIZE = (7.0, 6.0)
"""Width and height of the figure [inch]."""


MARKED = 60
"""Up to so many frequencies each is marked."""
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
        Magnitude [dB], of an impedance [ohm] on a logarithmic axis, above phase [deg].
    """
    figure = shared.bare_figure(*SIZE)
    upper, lower = figure.subplots(2, 1, sharex=True)
    order = np.argsort(answer.frequencies_hz)
    hz, values = answer.frequencies_hz[order], answer.values[order]
    colour, dashes = shared.PALETTE[0], shared.DASHES[0]
    marks = {"color": colour, "linestyle": dashes, "marker": "." if len(hz) <= MARKED else None}
    size = np.abs(values)
    if answer.impedance:
        _ohms(upper, hz, size, marks)
    else:
        with np.errstate(divide="ignore"):
            upper.semilogx(hz, 20.0 * np.log10(size), **marks)
        upper.set_ylabel("magnitude [dB]")
    lower.semilogx(hz, np.degrees(np.unwrap(np.angle(values))), **marks)
    lower.set_ylabel("phase [deg]")
    lower.set_xlabel("frequency [Hz]")
    for ax in (upper, lower):
        ax.grid(visible=True, color="#cccccc", linewidth=0.6)
        if hz[-1] > hz[0]:
            shared.frequency_axis(ax, hz, named=ax is lower)
    if np.ptp(lower.get_ylim()) >= FLATTEST:
        shared.phase_ticks(lower)
    word = "stable" if answer.stable else "UNSTABLE"
    figure.suptitle(
        f"{answer.quantity.replace('-', ' ')}, {answer.model} model, {answer.input_voltage:.4g} V, "
        f"{answer.load_current:.3g} A: {word}",
        fontsize=11.5,
    )
    return figure


def _ohms(ax: Axes, hz: NDArray[np.float64], size: NDArray[np.float64], marks: dict[str, Any]) -> None:
    """Draw an impedance [ohm] on logarithmic axes with engineering labels."""
    from matplotlib.ticker import EngFormatter, LogLocator, NullFormatter  # noqa: PLC0415  (loads matplotlib)

    ax.loglog(hz, size, **marks)
    ax.set_ylabel("magnitude [ohm]")
    ax.yaxis.set_major_formatter(EngFormatter(sep=" "))
    ax.yaxis.set_minor_formatter(NullFormatter())
    if 0.0 < size.max() < 100.0 * size.min():  # within two decades the powers of ten alone are too few
        ax.yaxis.set_major_locator(LogLocator(base=10.0, subs=(1.0, 2.0, 5.0)))
