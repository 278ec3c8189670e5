"""The closed loop in time, cycle by cycle, every edge exact.

`run`        many cycles, and the waveforms inside them
`outcome`    whether a step is stable and its run long enough; what the stepping leaves out
`currents`   the largest currents on the way of a step
`ringing`    ringing, settling, and the growth of a small disturbance, read from a run
`estimate`   a step predicted from a frequency response
`start`      from a case to a closed loop in its periodic steady state
`after`      where a step ends, and what keeps the controller from holding an operating point there
`steps`      load and line steps of a case
`deviation`  largest departure of the output at the load step, over input voltages, temperatures and tolerance ends
`places`     places of the load step of a case stepped in time, each once
"""
