"""The search of a lattice too large to look at whole.

`block_walk` to what is feasible at all, to what is better, and through blocks around it
`staged`     the search, and what it proves
"""
