"""Small steps predicted from frequency responses, for comparison with steps stepped edge by edge.

The response of a causal, stable system to a unit step follows from the real part of its frequency response alone,

    s(t) = 2/pi * integral over w > 0 of Re H(jw) sin(wt) / w dw

(A. Papoulis, "The Fourier Integral and its Applications", 1962, on causal transforms; from memory). ``Re H`` is taken
as straight between frequencies, which makes the integral closed form in sine integrals at any time; what is left at the
highest frequency is the jump at t = 0. The switched model's response at the injected frequency is what an analyser
reads: it averages over the instant of the step within the cycle, so that single cycles may differ by their ripple.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from loopdesign.models.switched import line_to_output, output_impedance

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.models.switched import SwitchedModel

POINTS = 900
PIECE = 450
SPAN = (1e-6, 30.0)
"""Frequencies evaluated, as shares of the switching frequency."""


def step_response(
    frequencies_hz: NDArray[np.float64], response: NDArray[np.complex128], times: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Respond to a unit step, from a frequency response.

    Parameters
    ----------
    frequencies_hz, response
        (F,) ascending [Hz], and complex responses (...,F); they count as constant below the first and above the last.
    times
        (N,) instants after the step, above zero [s].

    Returns
    -------
    ndarray
        (...,N) response to a unit step.
    """
    from scipy.special import sici  # noqa: PLC0415 (slow to load, needed here only)

    w = 2.0 * np.pi * np.concatenate([[0.0], frequencies_hz])
    real = np.concatenate([response[..., :1].real, response.real], axis=-1)
    jump = real[..., -1:]
    slope = np.diff(real) / np.diff(w)
    level = real[..., :-1] - jump - slope * w[:-1]
    angle = times[:, None] * w
    sine = np.diff(sici(angle)[0], axis=1)
    cosine = np.diff(np.cos(angle), axis=1) / times[:, None]
    total: NDArray[np.float64] = jump + (2.0 / np.pi) * (level @ sine.T - slope @ cosine.T)
    return total


def predicted_departure(
    model: SwitchedModel, source: Literal["load", "line"], times: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Predict the output's departure per unit of a step at one operating point.

    Parameters
    ----------
    model
        Closed-loop switched model of one operating point, stable.
    source
        ``load`` [V/A] or ``line`` [V/V].
    times
        (N,) instants after the step [s].

    Returns
    -------
    ndarray
        (N,) departure of the output [V] per ampere drawn or volt of input; valid for small steps.
    """
    departure: NDArray[np.float64] = predicted_departures([model], source, times)[0]
    return departure


def predicted_departures(
    models: Sequence[SwitchedModel], source: Literal["load", "line"], times: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Predict the same at several operating points (M,) of converters that switch at one frequency.

    Parameters
    ----------
    models
        Closed-loop switched models, each of one operating point, stable; at least one.
    source
        ``load`` [V/A] or ``line`` [V/V].
    times
        (N,) instants after the step [s].

    Returns
    -------
    ndarray
        (M,N) departure of the output [V] per ampere drawn or volt of input; valid for small steps.
    """
    f = np.geomspace(*SPAN, POINTS) / float(models[0].point.network.period[0])
    respond = output_impedance if source == "load" else line_to_output
    # in pieces: products this small stay on one core, larger ones wait for threads on a busy machine
    pieces = np.array_split(f, POINTS // PIECE)
    response = np.stack([np.concatenate([respond(model, part)[0] for part in pieces]) for model in models])
    return step_response(f, -response if source == "load" else response, times)
