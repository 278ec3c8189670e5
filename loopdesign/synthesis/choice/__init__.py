"""The robust choice: every combination of preferred values against all corners at once.

`choose`      the front door: from a case to parts, proven best and confirmed
`result`      what was chosen and what it rests on
`task`        rounds: search, correct, confirm, let worst tolerance ends join
`search`      one search over the lattice; `confirm`, `order` exact confirmation, ties and alternatives
`lattice`     combinations, their margins, and brute force
`screens`     necessary conditions that spare most of the lattice; `staged` blocks, where it is too large
`plant_grid`  plant responses on a short grid
`descent`, `deviation`  exact descent from neighbour to neighbour; the step as estimated
`refusal`     nearest miss, what stands in the way, cures
`divider`, `slope`  the upper divider resistor and the compensating ramp, before the loop
"""

from loopdesign.synthesis.choice.choose import choose
from loopdesign.synthesis.choice.result import Choice

__all__ = ["Choice", "choose"]
