"""What control voltage a shunt regulator can set through an optocoupler and its pull-up.

The light source lies between its supply, which is the output or a voltage of its own, and the cathode of the shunt
regulator, in series with the LED resistor. The transistor draws the transfer ratio times the light source's current
through the pull-up resistor, until it saturates::

    I       = (led_supply - led_drop - v(cathode)) / led_resistance
    control = pull_up_supply - transfer_ratio I pull_up,   at least saturation_voltage

The regulator works as long as its cathode stays above ``regulator_minimum_voltage`` and its current above
``regulator_minimum_current``. All of that current passes the light source: no resistor leads past it. Hence::

    regulator_minimum_current <= I <= I_most = (led_supply - led_drop - regulator_minimum_voltage) / led_resistance

The control voltage falls with the ratio and with the current. With one ratio it can be set between

    lowest  = max(saturation_voltage, pull_up_supply - transfer_ratio I_most pull_up)
    highest = max(saturation_voltage, pull_up_supply - transfer_ratio regulator_minimum_current pull_up)

and every converter made, with any ratio between two extremes, can set it between the lowest of the smallest ratio and
the highest of the largest. Where I_most is below the regulator's minimum current there is nothing it can set. Ohm's
and Kirchhoff's laws; a constant ratio, drop and saturation voltage are common practice for such an estimate.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from loopdesign.compensation.compensator import Value


@dataclass(frozen=True, slots=True, kw_only=True)
class LightPath:
    """Describe what bounds the light source of an optocoupler and its transistor.

    Parameters
    ----------
    pull_up_supply : float
        Voltage above the pull-up resistor [V].
    pull_up : float
        Pull-up resistor [ohm].
    led_supply : float or ndarray (B,)
        Voltage that feeds the light source [V].
    led_drop : float
        Forward drop of the light source [V].
    led_resistance : float
        Resistor in series with it [ohm].
    regulator_minimum_voltage : float
        Cathode voltage below which the shunt regulator does not regulate [V].
    regulator_minimum_current : float
        Cathode current below which it does not [A].
    saturation_voltage : float
        Voltage across the saturated transistor [V].
    """

    pull_up_supply: float
    pull_up: float
    led_supply: Value
    led_drop: float
    led_resistance: float
    regulator_minimum_voltage: float
    regulator_minimum_current: float
    saturation_voltage: float

    @property
    def largest_current(self) -> Value:
        """Largest current of the light source [A]; below zero where its supply does not light it at all."""
        return (self.led_supply - self.led_drop - self.regulator_minimum_voltage) / self.led_resistance

    def attainable(self, smallest_ratio: Value, largest_ratio: Value) -> tuple[Value, Value]:
        """Return between what the control voltage can be set, whatever the transfer ratio between two extremes.

        Parameters
        ----------
        smallest_ratio, largest_ratio : float or ndarray (B,)
            Transfer ratio [unitless].

        Returns
        -------
        lowest, highest : float or ndarray (B,)
            Control voltage [V]; the lowest is infinite where the light source cannot carry the regulator's smallest
            current, and above the highest where no voltage suits both extremes.
        """
        most, least = np.asarray(self.largest_current), self.regulator_minimum_current
        lowest = np.where(most < least, np.inf, self._control(smallest_ratio, most))
        return lowest, self._control(largest_ratio, least)

    def largest_led_resistance(self, smallest_ratio: Value, control_voltage: Value) -> Value:
        """Return the largest LED resistor with which a control voltage can still be pulled down to.

        Parameters
        ----------
        smallest_ratio : float or ndarray (B,)
            Smallest transfer ratio [unitless].
        control_voltage : float or ndarray (B,)
            Lowest control voltage needed, below the pull-up supply [V].

        Returns
        -------
        float or ndarray (B,)
            Resistor [ohm]; zero or less where none suffices.
        """
        needed = (self.pull_up_supply - np.asarray(control_voltage)) / (smallest_ratio * self.pull_up)
        current = np.maximum(needed, self.regulator_minimum_current)
        return np.asarray((self.led_supply - self.led_drop - self.regulator_minimum_voltage) / current)

    def _control(self, ratio: Value, current: Value) -> Value:
        return np.maximum(self.saturation_voltage, self.pull_up_supply - ratio * current * self.pull_up)
