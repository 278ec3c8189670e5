"""Compensation parts from a wanted crossover and phase margin, in closed form: ideal values, not yet standard ones.

Boost is the phase a network adds to that of an integrator (-90 degrees) at the crossover. Type II gives up to 90
degrees with one zero and one pole, type III up to 180 with two of each. The K factor (H. D. Venable, "The k-factor: a
new mathematical tool for stability analysis and synthesis", Powercon 10, 1983; from memory) puts them symmetrically
about the crossover.

`parts_for_target` corrects the ideal formulas of `loopdesign.ideal_parts` for finite amplifiers and the divider.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from loopdesign.compensation.compensator import (
    Divider,
    ErrorAmplifier,
    NetworkParts,
    NetworkType,
    OperationalAmplifier,
    ShuntOptocoupler,
    TransconductanceAmplifier,
)
from loopdesign.compensation.ideal_parts import (
    place_type1_operational,
    place_type1_transconductance,
    place_type2_operational,
    place_type2_transconductance,
    place_type3_operational,
    place_type3_transconductance,
)
from loopdesign.compensation.response import compensator_response, optocoupler_factor
from loopdesign.errors import PlacementError
from loopdesign.margins.crossings import wrapped_deg
from loopdesign.units.quantities import hertz

__all__ = [
    "Method",
    "PlacementError",
    "k_factor_type2",
    "k_factor_type3",
    "parts_for_target",
    "place_type1_operational",
    "place_type1_transconductance",
    "place_type2_operational",
    "place_type2_transconductance",
    "place_type3_operational",
    "place_type3_transconductance",
]

Method = Literal["k factor", "zero and pole"]

LARGEST_BOOST_DEG: dict[NetworkType, float] = {"type I": 0.0, "type II": 90.0, "type III": 180.0}
CORRECTION_ROUNDS = 200
CORRECTION_TOLERANCE = 1e-12  # of the compensator's value at the crossover, far below any part tolerance
LEAD_SHARE = 0.9  # part of the lead ratio the divider allows that is used at most, so that R2 stays above zero


def k_factor_type2(boost_deg: float) -> float:
    """Return k = fc/zero = pole/fc of a type II network.

    Parameters
    ----------
    boost_deg : float
        Wanted boost, 0 <= boost < 90 [deg].

    Returns
    -------
    float
        k = tan(boost/2 + 45 degrees) [unitless]; boost = atan k - atan 1/k (Venable 1983).

    Raises
    ------
    PlacementError
        When the boost is out of range.
    """
    _require_boost("type II", boost_deg)
    return float(np.tan(np.radians(boost_deg / 2 + 45)))


def k_factor_type3(boost_deg: float) -> float:
    """Return k = pole/zero of a type III network: double zero at fc/sqrt(k), double pole at fc sqrt(k).

    Parameters
    ----------
    boost_deg : float
        Wanted boost, 0 <= boost < 180 [deg].

    Returns
    -------
    float
        k = tan(boost/4 + 45 degrees)^2 [unitless] (Venable 1983).

    Raises
    ------
    PlacementError
        When the boost is out of range.
    """
    _require_boost("type III", boost_deg)
    return float(np.tan(np.radians(boost_deg / 4 + 45)) ** 2)


def parts_for_target(  # noqa: PLR0913  one call states one design task
    amplifier: ErrorAmplifier,
    divider: Divider,
    network: NetworkType,
    *,
    crossover_hz: float,
    plant_gain: complex,
    phase_margin_deg: float,
    method: Method = "k factor",
    dominant_pole_hz: float | None = None,
    pole_hz: float | None = None,
) -> NetworkParts:
    """Return ideal part values that put the crossover of plant times compensator where it is wanted.

    With the K factor zeros and poles lie symmetrically about the crossover and the phase margin is met exactly. With
    "zero and pole" the zero lies at `dominant_pole_hz` and the pole at `pole_hz` (the lowest of the zero of the output
    capacitor's series resistance and the right-half-plane zero); the one left out follows from the phase margin, which
    is then met exactly, and with both given the phase margin is what it comes to, at least the wanted one. In a type
    III network both pairs coincide; around a transconductance amplifier the divider limits the second pair, and the
    first makes up for it. A type I network has no freedom for the phase either.

    Ideal formulas give the first values; they are then corrected until the exact response, with finite amplifier,
    divider and feed-forward capacitor, meets the target to 1e-12.

    Parameters
    ----------
    amplifier : TransconductanceAmplifier, OperationalAmplifier or ShuntOptocoupler
        Error amplifier with scalar parameters.
    divider : Divider
        Divider with scalar values.
    network : {"type I", "type II", "type III"}
        Network.
    crossover_hz : float
        Wanted crossover [Hz].
    plant_gain : complex
        Response of the plant, control to output, at the crossover [unitless].
    phase_margin_deg : float
        Wanted phase margin [deg].
    method : {"k factor", "zero and pole"}
        How zeros and poles are placed.
    dominant_pole_hz, pole_hz : float, optional
        For "zero and pole"; at least one [Hz].

    Returns
    -------
    NetworkParts
        Parts, scalars.

    Raises
    ------
    PlacementError
        When the network cannot give the boost: type I none, type II less than 90 degrees, type III less than 180 (less
        around a transconductance amplifier); or when the amplifier's own gain does not suffice.
    ValueError
        When "zero and pole" is given neither frequency.
    """
    if method == "zero and pole" and dominant_pole_hz is None and pole_hz is None:
        raise ValueError('method "zero and pole" needs dominant_pole_hz, pole_hz or both')
    fixed = (dominant_pole_hz, pole_hz) if method == "zero and pole" else (None, None)
    wanted = complex(np.exp(1j * np.radians(phase_margin_deg - 180.0)) / plant_gain)
    if isinstance(amplifier, ShuntOptocoupler):
        # The path straight to the light source, where there is one, gives the 1; the network owes the rest.
        direct = float(amplifier.fed_from_output)
        wanted = wanted / complex(optocoupler_factor(amplifier, [crossover_hz])[0]) - direct
        amplifier = OperationalAmplifier(dc_gain=amplifier.dc_gain, gain_bandwidth=amplifier.gain_bandwidth)
    task = _Task(amplifier=amplifier, divider=divider, network=network, crossover_hz=crossover_hz, fixed_hz=fixed)
    return _corrected(task, wanted)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Task:
    """Amplifier, network and the fixed zero and pole, with what they can do at the crossover."""

    amplifier: TransconductanceAmplifier | OperationalAmplifier
    divider: Divider
    network: NetworkType
    crossover_hz: float
    fixed_hz: tuple[float | None, float | None]

    @property
    def phase_is_free(self) -> bool:
        """Tell whether nothing is left to set the phase with."""
        return self.network == "type I" or None not in self.fixed_hz

    def response(self, parts: NetworkParts) -> complex:
        return complex(compensator_response(self.amplifier, self.divider, parts, [self.crossover_hz])[0])

    def parts(self, aim: complex) -> NetworkParts:
        """Place by the ideal formulas for a response `aim` at the crossover."""
        gain, boost = abs(aim), float(wrapped_deg(np.degrees(np.angle(aim)) + 90.0))
        if not self.phase_is_free:
            _require_boost(self.network, boost, strictly=True)
        if self.network == "type I":
            if isinstance(self.amplifier, OperationalAmplifier):
                return place_type1_operational(self.crossover_hz, gain, float(self.divider.upper))
            return place_type1_transconductance(self.crossover_hz, gain, float(self.amplifier.gm), self.ratio)
        if self.network == "type II":
            zero, pole = self.section(boost)
            if isinstance(self.amplifier, OperationalAmplifier):
                return place_type2_operational(self.crossover_hz, gain, zero, pole, float(self.divider.upper))
            return place_type2_transconductance(
                self.crossover_hz, gain, zero, pole, float(self.amplifier.gm), self.ratio
            )
        zero, pole = self.section(boost / 2)
        if isinstance(self.amplifier, OperationalAmplifier):
            return place_type3_operational(
                self.crossover_hz, gain, (zero, zero), (pole, pole), float(self.divider.upper)
            )
        (z2, p2), lead_boost = self.lead(zero, pole)
        if not self.phase_is_free and (z2, p2) != (zero, pole):
            zero, pole = self.section(boost - lead_boost, more=lead_boost)
        return place_type3_transconductance(
            self.crossover_hz, gain, (zero, z2), (pole, p2), float(self.amplifier.gm), self.divider
        )

    @property
    def ratio(self) -> float:
        return float(self.divider.ratio)

    def section(self, boost_deg: float, *, more: float = 0.0) -> tuple[float, float]:
        """Return zero and pole of one section with the given boost; `more` is what other sections give."""
        fc, (zero, pole) = self.crossover_hz, self.fixed_hz
        if zero is not None and pole is not None:
            return zero, pole
        if zero is None and pole is None:
            if boost_deg >= 90.0:
                raise _out_of_reach(self.network, boost_deg + more, 90.0 + more)
            k = k_factor_type2(boost_deg)
            return fc / k, fc * k
        if zero is not None:
            largest = float(np.degrees(np.arctan(fc / zero)))
            angle = largest - boost_deg
            pole = fc / np.tan(np.radians(angle)) if angle > 0 else None
        elif pole is not None:
            largest = 90.0 - float(np.degrees(np.arctan(fc / pole)))
            angle = 90.0 - largest + boost_deg
            zero = fc / np.tan(np.radians(angle)) if angle < 90.0 else None
        if zero is None or pole is None:
            raise _out_of_reach(self.network, boost_deg + more, largest + more)
        return zero, pole

    def lead(self, zero: float, pole: float) -> tuple[tuple[float, float], float]:
        """Return the pair across the upper resistor, squeezed to what the divider allows, and its boost."""
        limit = 1.0 + LEAD_SHARE * (1.0 / self.ratio - 1.0)
        if limit < 1.0 + 1e-6:
            raise ValueError("a type III network around a transconductance amplifier needs a lower divider resistor")
        if pole / zero > limit:
            middle = np.sqrt(zero * pole)
            zero, pole = float(middle / np.sqrt(limit)), float(middle * np.sqrt(limit))
        fc = self.crossover_hz
        return (zero, pole), float(np.degrees(np.arctan(fc / zero) - np.arctan(fc / pole)))


def _corrected(task: _Task, wanted: complex) -> NetworkParts:
    """Aim at a displaced value until the exact response is the wanted one (its magnitude, where the phase is free)."""
    aim, needed = wanted, float(wrapped_deg(np.degrees(np.angle(wanted)) + 90.0))
    for _ in range(CORRECTION_ROUNDS):
        try:
            parts = task.parts(aim)
        except PlacementError as error:
            if error.boost_deg <= needed + 1e-6:
                raise
            # The ideal amplifier would do: name what the plant needs and what the amplifier's lag adds.
            raise PlacementError(
                f"{needed:.1f} degrees of phase boost are needed, {error.boost_deg:.1f} or more with the lag of the "
                "error "
                f"amplifier, and a {task.network} network gives less than {error.largest_boost_deg:.1f}; lower the "
                "crossover or take a faster amplifier",
                boost_deg=error.boost_deg,
                largest_boost_deg=error.largest_boost_deg,
            ) from error
        factor = wanted / task.response(parts)
        miss = abs(abs(factor) - 1.0) if task.phase_is_free else abs(factor - 1.0)
        if miss < CORRECTION_TOLERANCE:
            missing = float(np.degrees(np.angle(factor)))
            if task.phase_is_free and missing > 1e-9:
                raise _out_of_reach(task.network, needed, needed - missing)
            return parts
        aim = aim * (abs(factor) if task.phase_is_free else factor)
        if not 1e-12 < abs(aim / wanted) < 1e12:
            break
    raise PlacementError(
        f"the error amplifier does not have the gain of {abs(wanted):.4g} that is needed at "
        f"{hertz(task.crossover_hz)}; lower the crossover",
        boost_deg=needed,
        largest_boost_deg=LARGEST_BOOST_DEG[task.network],
    )


def _require_boost(network: NetworkType, boost_deg: float, *, strictly: bool = False) -> None:
    if boost_deg < 0 or (strictly and boost_deg == 0) or boost_deg >= LARGEST_BOOST_DEG[network]:
        raise _out_of_reach(network, boost_deg, LARGEST_BOOST_DEG[network])


def _out_of_reach(network: NetworkType, boost_deg: float, largest_deg: float) -> PlacementError:
    if boost_deg <= 0:
        text = (
            f"a {network} network only adds phase, and {-boost_deg:.1f} degrees less than those of an integrator are "
            "asked for"
        )
        cure = "ask for more phase margin, a higher crossover, or take type I"
    else:
        text = (
            f"{boost_deg:.1f} degrees of phase boost are needed and a {network} network gives less than "
            f"{largest_deg:.1f}"
        )
        cure = "lower the crossover, accept less phase margin, or take a network with more zeros"
    return PlacementError(f"{text}; {cure}", boost_deg=boost_deg, largest_boost_deg=largest_deg)
