"""The robust choice: every combination of preferred values against all corners at once.

`choose`       the front door: from a case to parts, proven best and confirmed
`task`         rounds: search, correct, confirm, let the worst tolerance ends join the corners
`examination`  combinations judged by the exact model at the corners so far
`confirm`      many combinations judged in one batch; the tolerance ends that matter most
`listing`      the answer with the best alternatives; `result` what it holds
`deviation`    the step deviation of the chosen parts, estimated
`refusal`      nearest miss, which limit it fails, cures
"""

from loopdesign.synthesis.choice.choose import choose
from loopdesign.synthesis.choice.result import Choice

__all__ = ["Choice", "choose"]
