"""What is impossible in a case whose single values are all fine, and what is merely odd.

`impossible`  faults between keys and sections
`regulation`  faults of load, regulation, sense and targets
`timing`      faults of the times of the modulator
`bounds`      faults of the frequency and of the amount of work
`odd`         warnings
`plausible`   warnings about values that are hard to believe together
`estimate`    currents and slopes of the lossless converter
`duty`        the duty that a lossless converter needs
`elements`    faults of a stage of the user's own
`problem`     a fault between keys, and where it is looked for
"""

from loopdesign.case.checks.impossible import problems
from loopdesign.case.checks.odd import warnings
from loopdesign.case.checks.problem import InputProblem, Sections

__all__ = ["InputProblem", "Sections", "problems", "warnings"]
