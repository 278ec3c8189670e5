"""The robust choice: every combination of preferred values against all corners at once.

`choose`       the front door, from a case to parts; the rounds: search, let the worst tolerance ends join the corners
`task`         one search: correct the plant, confirm by the exact loop, climb where that misleads
`examination`  combinations judged by the exact model at the corners so far
`confirm`      many combinations judged in one batch; the tolerance ends that matter most, followed once
`descent`      from neighbour to neighbour by the exact loop
`listing`      the answer with the best alternatives, or that there is none; `result` what it holds
`step_task`    the target for the load step in the search
`refusal`      nearest miss, which limit it fails, cures
`what_helps`   single changes evaluated and ranked where nothing meets the targets
"""

from loopdesign.synthesis.choice.choose import choose
from loopdesign.synthesis.choice.result import Choice

__all__ = ["Choice", "choose"]
