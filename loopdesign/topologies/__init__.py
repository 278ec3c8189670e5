"""One short file per topology: parts in, netlist out.

What a new topology must provide is listed, step by step, in DEVELOPERS.md.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from loopdesign.topologies import sepic

if TYPE_CHECKING:
    from collections.abc import Mapping

    from loopdesign.topologies.base import Topology

TOPOLOGIES: Mapping[str, Topology] = MappingProxyType({t.name: t for t in (sepic.TOPOLOGY,)})

__all__ = ["TOPOLOGIES"]
