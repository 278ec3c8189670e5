"""Direct-current balance of a SEPIC with losses, written by hand: nothing here is imported from the package."""

from __future__ import annotations

from dataclasses import dataclass

from scipy.optimize import brentq


@dataclass(frozen=True)
class Sepic:
    """Losses and operating point of a SEPIC with equal windings: resistances [ohm], drop [V], load [A], output [V]."""

    vout: float
    load: float
    winding: float
    esr: float
    switch: float
    drop: float
    diode: float

    def winding_voltages(self, vin, D):
        """On-state and off-state voltage of both windings, and their mean currents, ripple left out.

        L2 carries the load, L1 what charge balance of the coupling capacitor leaves, D/D' of it; over the loop source, L1,
        capacitor, L2 the windings' mean voltages are nothing, which is the capacitor's voltage.
        """
        i2 = self.load
        i1 = i2 * D / (1 - D)
        held = vin - self.winding * i1 + self.winding * i2
        both = i1 + i2
        on = (
            vin - self.winding * i1 - self.switch * both,
            held - (self.winding + self.esr) * i2 - self.switch * both,
        )
        off = (
            vin - (self.winding + self.esr) * i1 - held - self.drop - self.diode * both - self.vout,
            -self.vout - self.drop - self.diode * both - self.winding * i2,
        )
        return on, off, (i1, i2)

    def duty(self, vin):
        """Volt-second balance of L1."""

        def excess(D):
            on, off, _ = self.winding_voltages(vin, D)
            return D * on[0] + (1 - D) * off[0]

        return brentq(excess, 0.05, 0.9, xtol=1e-14)

    def drawn(self, vin):
        """Mean input current [A]."""
        return self.winding_voltages(vin, self.duty(vin))[2][0]

    def input_resistance(self, vin):
        """Input voltage over input current for slow changes, the output held: negative [ohm]."""
        step = 1e-4 * vin
        return 2 * step / (self.drawn(vin + step) - self.drawn(vin - step))

    def slope_at_the_edge(self, vin, inductance, capacitance, period, gain):
        """Sensed on-slope [V/s] just before the switch opens: currents by half their ripple up, the capacitor by half its own down."""
        D = self.duty(vin)
        (u1, u2), _, (_, i2) = self.winding_voltages(vin, D)
        rise = 0.5 * D * period
        up = u1 / inductance * rise, u2 / inductance * rise
        down = i2 * rise / capacitance
        both = sum(up)
        late = (
            u1
            - self.winding * up[0]
            - self.switch * both
            + u2
            - (self.winding + self.esr) * up[1]
            - self.switch * both
            - down
        )
        return gain * late / inductance
