"""Measured against predicted: the inversion, the noise floor, differences, margins, and where agreement ends."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.margins.margins import margins_from_grid

if TYPE_CHECKING:
    from numpy.typing import NDArray

FLOOR_DB, FLOOR_DEG, FLOOR_WINDOW = 2.0, 15.0, 7
"""A point lies in the noise floor where, over this many neighbours, the scatter of both gain and phase is larger."""
FLOOR_LEVEL_DB = 20.0
"""A noise floor is looked for only this far from where the analyser's two channels are of one size."""
AGREED_DB, AGREED_DEG = 1.0, 6.0
"""Differences up to which measured and predicted are said to agree: common practice of a bench."""
MOST_FOR_MARGINS = 2000
"""Points above which neighbours are averaged before margins are read, or noise would make crossings of its own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveMargins:
    """Margins read from the points of one curve; None where it has no such crossing, or is not a loop gain.

    Attributes
    ----------
    crossover_hz, phase_margin_deg, gain_margin_db, modulus_margin : float or None
        Headline margins [Hz], [deg], [dB], [unitless].
    """

    crossover_hz: float | None = None
    phase_margin_deg: float | None = None
    gain_margin_db: float | None = None
    modulus_margin: float | None = None

    def to_dict(self) -> dict[str, float | None]:
        """Turn it into plain values, ready for JSON."""
        return {
            "crossover_hz": self.crossover_hz,
            "phase_margin_deg": self.phase_margin_deg,
            "gain_margin_db": self.gain_margin_db,
            "modulus_margin": self.modulus_margin,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Deviation:
    """Difference of measured and predicted over all points.

    Attributes
    ----------
    rms_db, rms_deg : float
        Root of the mean square of gain [dB] and phase [deg].
    largest_db, at_hz : float
        Largest difference of gain, measured less predicted [dB], and where [Hz].
    """

    rms_db: float
    rms_deg: float
    largest_db: float
    at_hz: float

    def to_dict(self) -> dict[str, Any]:
        """Turn it into plain values, ready for JSON."""
        return {
            "rms_db": self.rms_db, "rms_deg": self.rms_deg, "largest_db": self.largest_db, "at_hz": self.at_hz,
        }  # fmt: skip


def apart(measured: NDArray[np.complex128], reference: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Return how far a measured curve lies from another, as ``dB + 1j * degrees`` (F,).

    Parameters
    ----------
    measured, reference : ndarray (F,)
        Complex values in one unit [unitless] or [ohm].

    Returns
    -------
    ndarray (F,)
        Gain [dB] as real part, phase within half a turn [deg] as imaginary part.
    """
    ratio = measured / reference
    return np.asarray(20.0 * np.log10(np.abs(ratio)) + 1j * np.degrees(np.angle(ratio)))


def is_inverted(measured: NDArray[np.complex128], reference: NDArray[np.complex128]) -> bool:
    """Whether a measured loop holds the 180 degrees of the inversion, which the definition of T leaves out.

    Parameters
    ----------
    measured, reference : ndarray (F,)
        Loop gain as measured and as predicted [unitless].

    Returns
    -------
    bool
        Whether on the whole it lies nearer to the predicted one when turned.
    """
    ratio = measured / reference
    return bool(np.mean((ratio / np.abs(ratio)).real) < 0.0)


def in_noise_floor(
    measured: NDArray[np.complex128], reference: NDArray[np.complex128], *, loop: bool
) -> NDArray[np.bool_]:
    """Find the points that lie in the noise floor of the analyser.

    The scatter at a point is the root mean square, over `FLOOR_WINDOW` neighbours, of how far the difference of
    measured and predicted departs from a straight line between neighbours. Where it exceeds `FLOOR_DB` and
    `FLOOR_DEG` both, and a loop gain is `FLOOR_LEVEL_DB` away from one (another quantity:
    below its largest), the point says nothing.

    Parameters
    ----------
    measured, reference : ndarray (F,)
        Complex values over rising frequency [unitless] or [ohm].
    loop : bool
        Whether it is a loop gain [unitless].

    Returns
    -------
    ndarray (F,)
        Whether each point is to be left out [unitless].
    """
    if len(measured) < FLOOR_WINDOW + 2:
        return np.zeros(len(measured), bool)
    bent = _bent(measured, reference)
    kernel = np.ones(FLOOR_WINDOW)
    weight = np.convolve(np.ones(len(bent)), kernel, "same")
    scatter = [np.sqrt(np.convolve(part**2, kernel, "same") / weight) for part in (bent.real, bent.imag)]
    level = 20.0 * np.log10(np.abs(measured))
    far = np.abs(level) > FLOOR_LEVEL_DB if loop else level < level.max() - FLOOR_LEVEL_DB
    noisy = (scatter[0] > FLOOR_DB) & (scatter[1] > FLOOR_DEG)
    return far & np.pad(noisy, 1, mode="edge")


def scatter_of(measured: NDArray[np.complex128], reference: NDArray[np.complex128]) -> tuple[float, float]:
    """Estimate the scatter of gain [dB] and phase [deg] from the points themselves.

    Parameters
    ----------
    measured, reference : ndarray (F,)
        Complex values over rising frequency [unitless] or [ohm].

    Returns
    -------
    tuple of float
        Standard deviations of gain [dB] and phase [deg]: from the median departure of each point from the line between
        its neighbours, so that neither a smooth difference nor a few wild points count.
    """
    bent = _bent(measured, reference)
    normal = 1.4826  # median absolute deviation to standard deviation of a normal distribution
    return float(normal * np.median(np.abs(bent.real))), float(normal * np.median(np.abs(bent.imag)))


def _bent(measured: NDArray[np.complex128], reference: NDArray[np.complex128]) -> NDArray[np.complex128]:
    """Departure (F-2,) of each inner point from the middle of its neighbours, scaled to the scatter of one point."""
    between = [apart(measured[1:-1] * reference[k], reference[1:-1] * measured[k]) for k in (slice(-2), slice(2, None))]
    return np.asarray((between[0] + between[1]) / np.sqrt(6.0))


def deviation(
    hz: NDArray[np.float64], measured: NDArray[np.complex128], reference: NDArray[np.complex128]
) -> Deviation:
    """Sum up how far measured and predicted lie apart.

    Parameters
    ----------
    hz : ndarray (F,)
        Frequencies [Hz].
    measured, reference : ndarray (F,)
        Complex values [unitless] or [ohm].

    Returns
    -------
    Deviation
        Root mean squares and the largest.
    """
    difference = apart(measured, reference)
    at = int(np.argmax(np.abs(difference.real)))
    return Deviation(
        rms_db=float(np.sqrt(np.mean(difference.real**2))),
        rms_deg=float(np.sqrt(np.mean(difference.imag**2))),
        largest_db=float(difference.real[at]),
        at_hz=float(hz[at]),
    )


def thinned(
    hz: NDArray[np.float64], measured: NDArray[np.complex128], reference: NDArray[np.complex128], most: int
) -> tuple[NDArray[np.float64], NDArray[np.complex128], NDArray[np.complex128]]:
    """Average neighbours where there are more points than wanted: their ratio to the prediction, which is smooth.

    Parameters
    ----------
    hz : ndarray (F,)
        Rising frequencies [Hz].
    measured, reference : ndarray (F,)
        Complex values [unitless] or [ohm].
    most : int
        Most points wanted [unitless].

    Returns
    -------
    tuple of ndarray (G,)
        Frequencies among those given, measured values there, predicted values there.
    """
    if len(hz) <= most:
        return hz, measured, reference
    edges = np.linspace(np.log(hz[0]), np.log(hz[-1]), most + 1)
    place = np.clip(np.searchsorted(edges, np.log(hz), "right") - 1, 0, most - 1)
    count = np.bincount(place, minlength=most)
    kept = count > 0
    ratio = measured / reference
    mean = np.bincount(place, ratio.real, most)[kept] + 1j * np.bincount(place, ratio.imag, most)[kept]
    end = np.cumsum(count)[kept]
    middle = end - (count[kept] + 1) // 2
    return hz[middle], reference[middle] * mean / count[kept], reference[middle]


def curve_margins(hz: NDArray[np.float64], loop: NDArray[np.complex128]) -> CurveMargins:
    """Read the margins of a loop gain from its points.

    Parameters
    ----------
    hz : ndarray (F,)
        Rising frequencies [Hz].
    loop : ndarray (F,)
        Loop gain [unitless].

    Returns
    -------
    CurveMargins
        Interpolated between points.
    """
    found = margins_from_grid(hz, loop)[0]
    return CurveMargins(
        crossover_hz=found.crossover_hz,
        phase_margin_deg=found.phase_margin_deg,
        gain_margin_db=found.gain_margin_db,
        modulus_margin=found.modulus_margin,
    )


def agreed_band(
    hz: NDArray[np.float64], measured: NDArray[np.complex128], reference: NDArray[np.complex128]
) -> tuple[float, float] | None:
    """Find the widest band, by decades, over which measured and predicted agree.

    Parameters
    ----------
    hz : ndarray (F,)
        Rising frequencies [Hz].
    measured, reference : ndarray (F,)
        Complex values [unitless] or [ohm].

    Returns
    -------
    tuple of float, or None
        Its ends [Hz]; None where fewer than two neighbours agree. A difference counts that exceeds the limit by more
        than three times the scatter of a single point.
    """
    away = apart(measured, reference)
    noise_db, noise_deg = scatter_of(measured, reference)
    near = (np.abs(away.real) <= max(AGREED_DB, 3.0 * noise_db)) & (
        np.abs(away.imag) <= max(AGREED_DEG, 3.0 * noise_deg)
    )
    turns = np.flatnonzero(np.diff(np.concatenate([[0], near.astype(int), [0]])))
    runs = [(a, b - 1) for a, b in turns.reshape(-1, 2) if b - a >= 2]
    if not runs:
        return None
    first, last = max(runs, key=lambda r: hz[r[1]] / hz[r[0]])
    return float(hz[first]), float(hz[last])
