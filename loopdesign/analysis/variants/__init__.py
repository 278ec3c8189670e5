"""Many variants of one converter at once: other part values, tolerance ends, samples, candidates of a choice.

`solve`     their converters and closed loops, solved and linearised from the nominal operating points
`judge`     their margins and verdicts by the exact loop gain
`reserve`   how far their control voltage stays within what an optocoupler delivers
`extremes`  the combinations of tolerance ends that are worst for each reading
"""
