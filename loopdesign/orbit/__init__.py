"""The periodic operating point, what can be reached, and its waveforms.

`problem`          what is solved for, and what comes out
`sequence`         the sequence of intervals of an orbit, and what ends each of them
`augmented`        configurations of a network as augmented matrices, and the rows whose zeros are edges
`periodic`         the periodic boundary value problem, and Newton's method for it
`conduction`       whether rectifiers do what a sequence says
`operating_point`  operating points of a converter, loop open or closed
`search`           orbits looked for from nothing
`holding`          whether the controller keeps an orbit
`boundary`         the load at which continuous conduction ends
`waveforms`        peak, valley, average and rms of currents and voltages
`stepping`         the converter followed edge by edge
"""
