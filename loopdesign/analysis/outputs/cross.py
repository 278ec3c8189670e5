"""Cross regulation: the average of every further output over line, the regulated output's load and their own loads.

Only one output is regulated. The others follow by the turns or the capacitors that join them, and move with every
load. Each combination of the ends of all loads is an operating point of its own, solved exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign import case as cases
from loopdesign.corners.conditions import Corners
from loopdesign.corners.converters import solved
from loopdesign.corners.trouble import traced
from loopdesign.network.converter import output_probe
from loopdesign.orbit.waveforms import average_probe

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

MOST_POINTS = 512
"""Most operating points of a table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossRegulation:
    """Further outputs at every combination of line and loads.

    Attributes
    ----------
    input_voltage, load_current
        (B,) line [V] and load of the regulated output [A].
    currents
        Of each further output by name its load current (B,), as stated at its voltage [A].
    voltages
        Of each further output by name its average (B,) [V].
    """

    input_voltage: NDArray[np.float64]
    load_current: NDArray[np.float64]
    currents: Mapping[str, NDArray[np.float64]]
    voltages: Mapping[str, NDArray[np.float64]]

    def to_rows(self) -> list[dict[str, Any]]:
        """Turn the table into one row per combination.

        Returns
        -------
        list of dict
            ``input_voltage`` [V], ``load_current`` [A], ``outputs`` with ``load_current`` [A] and ``output_voltage_v``
            [V] of each further output by name.
        """
        return [
            {
                "input_voltage": float(self.input_voltage[k]),
                "load_current": float(self.load_current[k]),
                "outputs": {
                    name: {
                        "load_current": float(self.currents[name][k]),
                        "output_voltage_v": float(self.voltages[name][k]),
                    }
                    for name in self.voltages
                },
            }
            for k in range(len(self.input_voltage))
        ]


def cross_regulation(case: cases.Case) -> CrossRegulation | None:
    """Solve every combination of input voltage and ends of all loads.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    CrossRegulation or None
        None where the case has no further outputs.

    Raises
    ------
    UnreachableOutputError
        Where losses keep the regulated output below its target.
    """
    stage = case.stage
    if not isinstance(stage, cases.CustomStage) or not stage.outputs:
        return None
    corners = _combinations(case, stage)

    def work(some: Corners) -> tuple[NDArray[np.float64], ...]:
        _, point = solved(case, some)
        return tuple(average_probe(point, output_probe(o.name)) for o in stage.outputs)

    averages = traced(work, case, corners, what="no cross regulation")
    return CrossRegulation(
        input_voltage=corners.input_voltage,
        load_current=corners.load_current,
        currents={o.name: o.current.nominal * corners.factors[f"{o.name}.current"] for o in stage.outputs},
        voltages={o.name: average for o, average in zip(stage.outputs, averages, strict=True)},
    )


def _combinations(case: cases.Case, stage: cases.CustomStage) -> Corners:
    """Every input voltage with the ends of every load; lightest and fullest together only where they are too many."""
    s = case.specification
    own = (s.output_current.lowest, s.output_current.highest)
    ends = [(o.current.lowest, o.current.highest) for o in stage.outputs]
    rows = list(product(s.input_voltage.values, dict.fromkeys(own), *(dict.fromkeys(e) for e in ends)))
    if len(rows) > MOST_POINTS:
        rows = [(v, i, *(e[k] for e in ends)) for v in s.input_voltage.values for i in own for k in (0, 1)]
    table = np.array(rows, float)
    return Corners(
        input_voltage=table[:, 0],
        load_current=table[:, 1],
        temperature=np.full(len(table), case.nominal_temperature),
        factors={f"{o.name}.current": table[:, 2 + k] / o.current.nominal for k, o in enumerate(stage.outputs)},
    )
