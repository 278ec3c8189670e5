"""The orbit looked for from nothing: output over duty, reach, and sequences found by following the converter.

`duty`     the operating point on the rising side of the output, its sequence found and not assumed
`crossing` where functions of one variable fall through zero, for a batch at once
`reach`    the output over duty, and what the stage reaches at best
`trial`    sequences tried on many items at once
`mending`  sequences put right by what the rectifiers are seen to do otherwise
`follow`   the converter followed until it repeats itself, where the sequence is not known beforehand
`fixed`    orbits at a given duty, of stages with several rectifiers
`several`  their duty and sequence
`stepped`  the sequence that they step through, from near an orbit
`closing`  closing in on the duty at which the output rises to its target
"""
