"""The converter followed edge by edge, one clock period after another.

`cycle`        one period, edge by edge
`motion`       motion of a linear network between two edges, and the first instant at which a guard trips
`sampling`     sampling instants of a motion
`guards`       guards on probes of the network, and the devices that clamp the control voltage
`devices`      records: limits of the controller, device states, guards, and what a cycle did
`commutation`  which rectifiers conduct after a switch or a rectifier has changed
`knee`         a load that draws less below a knee of its voltage
`pauses`       periods whose pulses are skipped, many at a time
`abreast`      many periods worked out side by side
`energy`       where the energy of a run goes
"""
