"""Small steps predicted from frequency responses, for comparison with steps stepped edge by edge.

The response of a causal, stable system to a unit step follows from the real part of its frequency response alone,

    s(t) = 2/pi * integral over w > 0 of Re H(jw) sin(wt) / w dw

(A. Papoulis, "The Fourier Integral and its Applications", 1962, on causal transforms; from memory). What is left at the
highest frequency is the jump at t = 0. Of the rest, a low-pass of one pole with the same value at the lowest frequency
has a step response in closed form; what ``Re H`` has beyond both, over w, is taken as straight between frequencies,
which makes its integral closed form in sines and cosines at any time. The switched model's response at the injected
frequency is what an analyser reads: it averages over the instant of the step within the cycle, so that single cycles
may differ by their ripple.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np

from loopdesign.models.switched import line_to_output, output_impedance

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from loopdesign.models.switched import SwitchedModel

POINTS = 1350
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
    w = 2.0 * np.pi * np.concatenate([[0.0], frequencies_hz])
    real = np.concatenate([response[..., :1].real, response.real], axis=-1)
    jump = real[..., -1:]
    still = real[..., :1] - jump
    pole = 2.0 * np.pi * np.sqrt(frequencies_hz[0] * frequencies_hz[-1])
    beyond = real - jump - still / (1.0 + np.square(w / pole))
    beyond[..., 1:] /= w[1:]  # at w = 0 it is 0 over 0, and the limit 0
    angle = times[:, None] * w
    sine = np.diff(np.sin(angle), axis=1) / np.square(times)[:, None]
    slope = np.diff(beyond) / np.diff(w)
    integral = slope @ sine.T - beyond[..., -1:] * np.cos(angle[:, -1]) / times
    total: NDArray[np.float64] = jump + still * -np.expm1(-pole * times) + (2.0 / np.pi) * integral
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
