"""The search of a lattice: every combination of preferred values of the open parts.

`lattice`     combinations by number; `loops` their loop gains and margins
`plant_grid`  plant responses on a short grid
`corner_loop` the loop gain of many combinations at one corner, and which C2 can meet a condition
`screens`     necessary conditions that spare most of a lattice its whole evaluation
`staged`      lattices too large to search whole, in blocks
`bound`       what no combination of such a lattice can exceed
`order`       ties, alternatives, parts at the end of their series
`descent`     from neighbour to neighbour by the exact loop
`search`      one search of a case, and the result in words
"""
