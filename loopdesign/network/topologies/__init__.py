"""One short file per topology: parts in, netlist out.

What a new topology must provide is listed, step by step, in DEVELOPERS.md.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from loopdesign.network.topologies import boost, buck, cuk, flyback, inverting, sepic, zeta

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign.network.topologies.base import RegisteredTopology

TOPOLOGIES: Mapping[str, RegisteredTopology] = MappingProxyType(
    {m.TOPOLOGY.name: m.TOPOLOGY for m in (sepic, boost, flyback, buck, inverting, cuk, zeta)}
)

__all__ = ["TOPOLOGIES"]
