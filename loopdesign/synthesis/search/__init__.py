"""The search of a lattice: every combination of preferred values of the open parts.

`lattice`     combinations by number; `loops` their loop gains and margins
`plant_grid`  corners solved with the loop open, and their responses on a short grid
`corner_loop` the loop gain of many combinations at a corner or some
`lines`       which values of one part can meet the limits at a corner, whatever the others
`screens`     necessary conditions that spare most of a lattice its whole evaluation
`walk`        a lattice small enough to search whole
`blocks`      lattices too large to search whole, in blocks
`bound`       what no combination of such a lattice can exceed
`order`       ties, alternatives, parts at the end of their series
`search`      one search of a case, and the result in words
"""
