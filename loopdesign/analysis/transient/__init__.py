"""The closed loop in time, cycle by cycle, every edge exact.

`motion`    exact motion between edges and the first crossing of a threshold
`devices`   what conducts, and what ends it
`stepping`  one switching cycle
`run`       many cycles; traces, ringing, the growth of a small disturbance
`estimate`  a step predicted from a frequency response
`start`     from a case to a closed loop at rest
`steps`     load and line steps of a case
"""

from loopdesign.analysis.transient.steps import StepResult, StepStudy, step

__all__ = ["StepResult", "StepStudy", "step"]
