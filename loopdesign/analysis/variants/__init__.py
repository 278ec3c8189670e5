"""Many variants of one converter at once: other part values, tolerance ends, samples, candidates of a choice.

`solve`         their converters and closed loops, solved and linearised from the nominal operating points
`beside`        where their solution begins: at those beside them that are solved already
`judge`         their margins and verdicts by the exact loop gain
`current_loop`  the current loop alone of each; `reserve` what their controller has to spare
`ends`          the search for the worst combination of tolerance ends, whatever is judged
`held`          the worst with the control voltage held, which parts of the compensation do not change
`extremes`      the combinations of tolerance ends that are worst for each reading
`worst_curves`  loop gains at the ends that make the worst readings
`ripple`        the output's ripple at corners and worst ends
"""
