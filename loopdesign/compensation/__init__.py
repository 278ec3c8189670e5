"""Error amplifiers and the networks around them.

`compensator`  what they are made of
`response`     closed form
`netlist`      elements of the exact closed loop
`state_space`  the same netlist as one linear system
`features`     poles and zeros by name
`ideal_parts`  from crossover, gain and boost to parts
`optocoupler`  what a shunt regulator can set through an optocoupler
"""
