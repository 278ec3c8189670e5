"""Monte Carlo over tolerances: how often it fails in production, and which part is to blame.

`sampling`  scrambled Sobol points
`sample`    every sample at every condition, by the switched model
`bounds`    the worst case of each reading by four routes
`figures`   shares with confidence, quantiles, ranking
`step`      the departure at the load step
`envelope`  the band of loop gains
`ripple`    the output's ripple over production
"""

from loopdesign.analysis.spread.bounds import yield_against_worst_case
from loopdesign.analysis.spread.sample import SpreadResult, spread

__all__ = ["SpreadResult", "spread", "yield_against_worst_case"]
