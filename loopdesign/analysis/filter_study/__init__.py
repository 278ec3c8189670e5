"""The input filter against the converter it feeds: separation of impedances, change of the loop, verdict, damper.

`optimum`     dampers by the optimum formulas
`impedance`   output impedance of the filter alone
`study`       the study of a case, and the sentences that warn
`output`      a case's output filter
"""

from loopdesign.analysis.filter_study.impedance import filter_output_impedance
from loopdesign.analysis.filter_study.optimum import (
    FilterDamping,
    parallel_rc,
    parallel_rl,
    ratio_of_parallel_rc,
    ratio_of_parallel_rl,
    ratio_of_series_rl,
    series_rl,
)
from loopdesign.analysis.filter_study.study import FilterProposal, FilterStudy, Separation, filter_study

__all__ = [
    "FilterDamping",
    "FilterProposal",
    "FilterStudy",
    "Separation",
    "filter_output_impedance",
    "filter_study",
    "parallel_rc",
    "parallel_rl",
    "ratio_of_parallel_rc",
    "ratio_of_parallel_rl",
    "ratio_of_series_rl",
    "series_rl",
]
