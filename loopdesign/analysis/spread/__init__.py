"""Monte Carlo over tolerances: how often it fails in production, and which part is to blame.

`sampling`  scrambled Sobol points
`sample`    every sample at every condition, by the switched model
`figures`   shares with confidence, quantiles, ranking
`envelope`  the band of loop gains
"""

from loopdesign.analysis.spread.sample import SpreadResult, spread, yield_against_worst_case

__all__ = ["SpreadResult", "spread", "yield_against_worst_case"]
