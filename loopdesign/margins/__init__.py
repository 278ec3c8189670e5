"""Every crossing of a loop gain; phase, gain and modulus margin.

`grid`         grids on which crossings and dips are bracketed
`curve`        loop gain between its samples
`crossings`    crossings found and refined
`modulus`      least distance from -1
`results`      what is read from loop gains
`margins`      margins of one loop, and a fast path for many
`closed_loop`  margins of closed loops whose multipliers are known
"""
