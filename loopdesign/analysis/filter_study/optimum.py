"""Dampers of an L-C input filter that make the peak of its output impedance as low as it can be.

For a given size of the added part, ``n`` times its neighbour, one resistance gives the lowest peak. Source of all
formulas: R. W. Erickson, D. Maksimovic, "Fundamentals of Power Electronics", 3rd ed., Springer, 2020, section 17.4.
They hold for a filter without other losses behind a stiff source; ``R0 = sqrt(L/C)``, ``f0 = 1 / (2 pi sqrt(L C))``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

DamperKind = Literal["R-C across the capacitor", "R-L across the choke", "R across L, in series with the choke"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FilterDamping:
    """One damper of an L-C filter.

    Attributes
    ----------
    kind
        Where it lies.
    ratio
        Its capacitance over the filter's, or its inductance over the choke's [unitless].
    resistance
        [ohm].
    capacitance, inductance
        Its reactive part [F], [H]; the other is None.
    peak, peak_hz
        Peak of the filter's output impedance [ohm] and where it lies [Hz].
    attenuation_loss_db
        Attenuation lost far above the filter's corner [dB].
    """

    kind: DamperKind
    ratio: float
    resistance: float
    capacitance: float | None
    inductance: float | None
    peak: float
    peak_hz: float
    attenuation_loss_db: float


def _filter(choke: float, capacitance: float) -> tuple[float, float]:
    """Return characteristic impedance [ohm] and corner frequency [Hz]."""
    return float(np.sqrt(choke / capacitance)), float(1.0 / (2.0 * np.pi * np.sqrt(choke * capacitance)))


def parallel_rc(choke: float, capacitance: float, ratio: float) -> FilterDamping:
    """Damp by a resistor in series with a capacitor across the filter capacitor.

    Parameters
    ----------
    choke, capacitance
        The filter's [H], [F].
    ratio
        Damper capacitance over filter capacitance, above zero [unitless].

    Returns
    -------
    FilterDamping
        ``Rf/R0 = sqrt((2+n)(4+3n) / (2 n^2 (4+n)))``, peak ``R0 sqrt(2(2+n))/n`` at ``f0 sqrt(2/(2+n))``
        (Eqs. 17.33-17.37).
    """
    R0, f0 = _filter(choke, capacitance)
    n = ratio
    return FilterDamping(
        kind="R-C across the capacitor",
        ratio=n,
        resistance=R0 * float(np.sqrt((2.0 + n) * (4.0 + 3.0 * n) / (2.0 * n**2 * (4.0 + n)))),
        capacitance=n * capacitance,
        inductance=None,
        peak=R0 * float(np.sqrt(2.0 * (2.0 + n))) / n,
        peak_hz=f0 * float(np.sqrt(2.0 / (2.0 + n))),
        attenuation_loss_db=0.0,
    )


def parallel_rl(choke: float, capacitance: float, ratio: float) -> FilterDamping:
    """Damp by a resistor in series with an inductor across the choke.

    Parameters
    ----------
    choke, capacitance
        The filter's [H], [F].
    ratio
        Damper inductance over choke inductance, above zero [unitless].

    Returns
    -------
    FilterDamping
        ``Rf/R0 = sqrt(n (3+4n)(1+2n) / (2(1+4n)))``, peak ``R0 sqrt(2n(1+2n))`` at ``f0 sqrt((1+2n)/(2n))``; far above
        the corner the attenuation falls by ``1 + 1/n`` (Eqs. 17.39-17.43).
    """
    R0, f0 = _filter(choke, capacitance)
    n = ratio
    return FilterDamping(
        kind="R-L across the choke",
        ratio=n,
        resistance=R0 * float(np.sqrt(n * (3.0 + 4.0 * n) * (1.0 + 2.0 * n) / (2.0 * (1.0 + 4.0 * n)))),
        capacitance=None,
        inductance=n * choke,
        peak=R0 * float(np.sqrt(2.0 * n * (1.0 + 2.0 * n))),
        peak_hz=f0 * float(np.sqrt((1.0 + 2.0 * n) / (2.0 * n))),
        attenuation_loss_db=float(20.0 * np.log10(1.0 + 1.0 / n)),
    )


def series_rl(choke: float, capacitance: float, ratio: float) -> FilterDamping:
    """Damp by a resistor in parallel with an inductor, both in series with the choke.

    Parameters
    ----------
    choke, capacitance
        The filter's [H], [F].
    ratio
        Damper inductance over choke inductance, above zero [unitless].

    Returns
    -------
    FilterDamping
        ``R0/Rf = (1+n)/n sqrt(2(1+n)(4+n) / ((2+n)(4+3n)))``, peak ``R0 sqrt(2(1+n)(2+n))/n`` at
        ``f0 sqrt((2+n)/(2(1+n)))``; the peak never falls below ``sqrt(2) R0`` (Eqs. 17.44-17.46).
    """
    R0, f0 = _filter(choke, capacitance)
    n = ratio
    inverse = (1.0 + n) / n * float(np.sqrt(2.0 * (1.0 + n) * (4.0 + n) / ((2.0 + n) * (4.0 + 3.0 * n))))
    return FilterDamping(
        kind="R across L, in series with the choke",
        ratio=n,
        resistance=R0 / inverse,
        capacitance=None,
        inductance=n * choke,
        peak=R0 * float(np.sqrt(2.0 * (1.0 + n) * (2.0 + n))) / n,
        peak_hz=f0 * float(np.sqrt((2.0 + n) / (2.0 * (1.0 + n)))),
        attenuation_loss_db=0.0,
    )


def ratio_of_parallel_rc(relative_peak: float) -> float:
    """Return the ratio whose peak is ``relative_peak`` times R0: ``n = (1 + sqrt(1 + 4 p^2)) / p^2`` (Eq. 17.38).

    Parameters
    ----------
    relative_peak : float
        Peak of the output impedance over the characteristic resistance R0, above zero [unitless].

    Returns
    -------
    float
        Damper over filter: ratio of capacitances or inductances [unitless].
    """
    p = relative_peak
    return float((1.0 + np.sqrt(1.0 + 4.0 * p**2)) / p**2)


def ratio_of_parallel_rl(relative_peak: float) -> float:
    """Return the ratio whose peak is ``relative_peak`` times R0: ``n = (sqrt(1 + 4 p^2) - 1) / 4`` (from Eq. 17.42).

    Parameters
    ----------
    relative_peak : float
        Peak of the output impedance over the characteristic resistance R0, above zero [unitless].

    Returns
    -------
    float
        Damper over filter: ratio of capacitances or inductances [unitless].
    """
    return float((np.sqrt(1.0 + 4.0 * relative_peak**2) - 1.0) / 4.0)


def ratio_of_series_rl(relative_peak: float) -> float | None:
    """Return the ratio whose peak is ``relative_peak`` times R0; None where none goes that low (from Eq. 17.46).

    Parameters
    ----------
    relative_peak : float
        Peak of the output impedance over the characteristic resistance R0, above zero [unitless].

    Returns
    -------
    float or None
        Damper over filter: ratio of capacitances or inductances [unitless].
    """
    room = relative_peak**2 - 2.0
    return float((3.0 + np.sqrt(9.0 + 4.0 * room)) / room) if room > 0.0 else None


def other_kinds(choke: float, capacitance: float, wanted: float) -> list[FilterDamping]:
    """Find the other kinds of damper for the same peak, those that cost no attenuation first.

    Parameters
    ----------
    choke, capacitance : float
        The filter's [H], [F].
    wanted : float
        Peak of the output impedance over the characteristic resistance R0 [unitless].

    Returns
    -------
    list of FilterDamping
        A resistor across an inductor in series with the choke, where that reaches so low a peak, and R-L across the
        choke.
    """
    series = ratio_of_series_rl(wanted)
    others = [] if series is None else [series_rl(choke, capacitance, series)]
    return [*others, parallel_rl(choke, capacitance, ratio_of_parallel_rl(wanted))]
