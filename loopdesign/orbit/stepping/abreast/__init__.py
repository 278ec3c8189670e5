"""Many clock periods of a run worked out side by side.

`row`        a run of periods: joined where one begins on the end of the one before
`periods`    periods of one sequence from many states, and whether they keep to it
`pattern`    the sequence of one period
`motions`    motions of one linear piece from many states
"""
