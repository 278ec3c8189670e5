"""A load that draws less below a knee of its voltage: with a drop nothing, a current sink what a resistor does.

The load is a device of two states of the same network. Where they meet both draw the same current, so that nothing
jumps there and the state cannot chatter.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from loopdesign.network.elements import Resistor

if TYPE_CHECKING:
    from loopdesign.network.converter import Converter
    from loopdesign.network.elements import Element

SINK_KNEE = 0.1
"""Share of the specified output below which a current sink is a resistor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadKnee:
    """A load with a knee.

    Attributes
    ----------
    threshold
        Voltage across the load above which it draws as at the operating point [V].
    removed
        Elements that are not there below it.
    added
        Elements that are there below it only.
    silent
        Inputs that are zero below it.
    resistance
        What the load is below it [ohm]; infinite where it draws nothing.
    """

    threshold: float
    removed: frozenset[str] = frozenset()
    added: tuple[Element, ...] = ()
    silent: frozenset[str] = frozenset()
    resistance: float = np.inf

    def below(self, elements: tuple[Element, ...]) -> tuple[Element, ...]:
        """Netlist with the load below its knee.

        Parameters
        ----------
        elements : tuple of Element
            Netlist with the load above it.

        Returns
        -------
        tuple of Element
            The same elsewhere.
        """
        return (*(e for e in elements if e.name not in self.removed), *self.added)


def load_knee(converter: Converter) -> LoadKnee | None:
    """Find the knee of a converter's load.

    Parameters
    ----------
    converter : Converter
        A batch of one.

    Returns
    -------
    LoadKnee or None
        None where the load is a resistor.
    """
    if converter.load == "voltage":
        return LoadKnee(threshold=float(np.ravel(converter.load_drop)[0]), removed=frozenset({"load_resistance"}))
    current = float(np.ravel(converter.load_current)[0])
    if converter.load != "current" or current == 0.0:
        return None
    threshold = SINK_KNEE * float(np.ravel(converter.load_voltage)[0])
    resistor = Resistor(
        name="load below its knee", a=converter.load_node, b=converter.load_return, resistance=threshold / current
    )
    return LoadKnee(threshold=threshold, added=(resistor,), silent=frozenset({"load"}), resistance=threshold / current)
