"""Small-signal output impedance of the further outputs of a stage."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.analysis.given import one_of
from loopdesign.errors import DataError
from loopdesign.network.converter import output_probe, output_sink
from loopdesign.printable import excerpt

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from loopdesign import case as cases
    from loopdesign.models.switched import SwitchedModel


def further_impedance(model: SwitchedModel, frequencies_hz: NDArray[np.float64], name: str) -> NDArray[np.complex128]:
    """Compute the output impedance of a further output: its fall per ampere drawn from it.

    Parameters
    ----------
    model : SwitchedModel
        The stage or the closed loop (B,).
    frequencies_hz : ndarray (F,) or (B, F)
        Frequencies [Hz].
    name : str
        Name of the output.

    Returns
    -------
    ndarray (B, F)
        Fall of the output per ampere drawn [ohm].
    """
    return -model.response(frequencies_hz, output_sink(name), [output_probe(name)])[:, 0]


def named_impedance(
    case: cases.Case, model: SwitchedModel, output: str, asked: tuple[str, str], frequencies_hz: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """Compute the output impedance of the further output that a caller names.

    Parameters
    ----------
    case : Case
        The case.
    model : SwitchedModel
        The stage or the closed loop, a batch of one.
    output : str
        Name of the output.
    asked : tuple of str
        Quantity and model that were asked for.
    frequencies_hz : ndarray (F,)
        Frequencies [Hz].

    Returns
    -------
    ndarray (F,)
        Fall of the output per ampere drawn [ohm].

    Raises
    ------
    DataError
        Where the stage has no such output, or something else than its impedance is asked for.
    """
    known = [o.name for o in getattr(case.stage, "outputs", ())]
    if not known:
        raise DataError(f"output {excerpt(output)}: this stage has one output only")
    if asked != ("output-impedance", "switched"):
        raise DataError("output names a further output: ask for its output-impedance, by the switched model")
    return further_impedance(model, frequencies_hz, one_of(output, known, "output"))[0]
