"""Output impedance of an input filter by itself, from the same netlist that joins the converter."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from loopdesign.corners.input_filter import LINE
from loopdesign.network.circuit import derive
from loopdesign.network.elements import CurrentSource, Element, VoltageSource
from loopdesign.network.topologies.base import SUPPLY

if TYPE_CHECKING:
    from numpy.typing import NDArray


def filter_output_impedance(
    source: tuple[Element, ...], period: NDArray[np.float64], frequencies_hz: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Impedance that the converter's input sees into the filter, the source's own voltage held.

    Parameters
    ----------
    source
        Elements between node ``line`` and node ``supply``.
    period
        (B,) any scale of time, the switching period by habit [s].
    frequencies_hz
        (F,) or (B,F) [Hz].

    Returns
    -------
    ndarray
        (B,F) [ohm].
    """
    elements = (
        VoltageSource(name="line", a=LINE, b="0"),
        *source,
        CurrentSource(name="draw", a=SUPPLY, b="0"),
    )
    network = derive(elements, (frozenset(),), (f"v({SUPPLY})",), period=period)
    (c,) = network.configurations
    draw = network.input_index("draw")
    angle = 2.0 * np.pi * np.atleast_2d(frequencies_hz) * network.period[:, None]
    n = c.A.shape[-1]
    matrix = 1j * angle[..., None, None] * np.eye(n) - c.A[:, None]
    drive = np.broadcast_to(c.B[:, None, :, draw, None], (*angle.shape, n, 1))
    x = np.linalg.solve(matrix, drive)[..., 0]
    return np.asarray(-(np.einsum("bn,bfn->bf", c.C[:, 0], x) + c.D[:, 0, draw, None]))
