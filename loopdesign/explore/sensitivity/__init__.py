"""What each value of a case does to each margin and multiplier: derivatives, exact, without sampling.

`arrays`    an orbit and its linear response as arrays that can carry a derivative
`tangent`   how the orbit moves
`response`  period map and loop gain
`result`    what comes out
`study`     from a check to its derivatives
"""

from loopdesign.explore.sensitivity.result import LOW_IS_BAD, READINGS, Sensitivities
from loopdesign.explore.sensitivity.study import moved_case, sensitivities

__all__ = ["LOW_IS_BAD", "READINGS", "Sensitivities", "moved_case", "sensitivities"]
