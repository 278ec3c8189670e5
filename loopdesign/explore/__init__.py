"""Many cases beside each other: what a quantity does to a design, which of several is better, how small parts may be.

`sensitivity` what each value does to each margin, without sampling
`point`       one point of a sweep: a check of its own, or a choice of its own
`sweep`       one or two quantities over a range: margins and verdict at every point
`together`    converters of several cases solved as one batch
`plane`       many points of a plane solved together
`quantities`  what a sweep varies
`combination` one combination of candidates, with the best compensation for it
`size`        the smallest parts: every combination, and the front of cost against step deviation
`boundary`    where in such a plane the largest multiplier is one
`compare`     cases side by side
"""
