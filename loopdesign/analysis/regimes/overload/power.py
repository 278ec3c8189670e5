"""Where the power goes at an operating point: what flows in, what the load takes, and what every part loses.

By Tellegen's theorem the three add up to nothing over a period that repeats itself; what is left over is the error of
the waveforms.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.converter import netlist, output_probe, output_resistor, output_sink
from loopdesign.network.elements import Capacitor, Diode, Inductor, Resistor, Switch
from loopdesign.orbit.waveforms import sampled_waveforms

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from loopdesign.network.converter import Converter
    from loopdesign.orbit.problem import OperatingPoint

LOAD_ELEMENT, LOAD_DROP = "load_resistance", "load_drop"


@dataclass(frozen=True, slots=True, kw_only=True)
class Power:
    """Power over a period (B,).

    Attributes
    ----------
    input_power_w, output_power_w, loss_w : ndarray (B,)
        Out of the source, into the loads of every output, and into every other resistance and drop [W].
    switch_peak_a : ndarray (B,)
        Largest current of the switch [A].
    further_v : mapping of str to ndarray (B,)
        Averages of the outputs that are not regulated, by name [V].
    """

    input_power_w: NDArray[np.float64]
    output_power_w: NDArray[np.float64]
    loss_w: NDArray[np.float64]
    switch_peak_a: NDArray[np.float64]
    further_v: Mapping[str, NDArray[np.float64]]

    @property
    def missing(self) -> NDArray[np.float64]:
        """Share of the input power that is neither delivered nor lost (B,) [unitless]."""
        return np.asarray((self.input_power_w - self.output_power_w - self.loss_w) / self.input_power_w)


def power(converter: Converter, point: OperatingPoint) -> Power:
    """Add up the power of a converter with a resistive load or one with a drop, its loop open.

    Parameters
    ----------
    converter : Converter
        The converter (B,).
    point : OperatingPoint
        Its operating point.

    Returns
    -------
    Power
        Averages over the period, by Simpson's rule.
    """
    elements = [e for e in netlist(converter) if isinstance(e, (Capacitor, Diode, Inductor, Resistor, Switch))]
    probes = [f"v({e.a},{e.b})" if isinstance(e, Resistor) else f"i({e.name})" for e in elements]
    switch = f"i({converter.topology.devices.switch})"
    outputs = converter.topology.outputs
    further = {name: output_probe(name) for name in outputs}
    asked = ("i(line)", switch, *dict.fromkeys((*probes, *further.values())))
    waves = {f.name: f for f in sampled_waveforms(converter, point, asked, asked).figures()}
    lost, taken = np.zeros(len(point)), np.zeros(len(point))
    loads = {LOAD_ELEMENT, *(output_resistor(name) for name in outputs)}
    for element, probe in zip(elements, probes, strict=True):
        mean, square = waves[probe].average, waves[probe].rms ** 2
        if isinstance(element, Resistor):
            spent = square / element.resistance
            taken, lost = (taken + spent, lost) if element.name in loads else (taken, lost + spent)
            if element.name == LOAD_ELEMENT and LOAD_DROP in point.network.inputs:
                taken = taken + point.inputs[:, point.network.input_index(LOAD_DROP)] * mean / element.resistance
        elif isinstance(element, Capacitor):
            lost = lost + square * element.esr
        elif isinstance(element, Diode):
            drop = point.inputs[:, point.network.input_index(element.name)]
            lost = lost + square * element.resistance + drop * mean
        else:
            lost = lost + square * element.resistance
    for name, probe in further.items():
        taken = taken + waves[probe].average * point.inputs[:, point.network.input_index(output_sink(name))]
    line = np.abs(waves["i(line)"].average) * converter.input_voltage
    return Power(
        input_power_w=line, output_power_w=taken, loss_w=lost, switch_peak_a=waves[switch].peak,
        further_v={name: waves[probe].average for name, probe in further.items()},
    )  # fmt: skip
