"""The schematic of a case, drawn from the same netlist that is computed.

`parts`    every part with its designator and value, and which nodes it joins
`board`    symbols, wires and letters
`power`    filters and power stage as a ladder from the source to the load
`control`  divider or sense resistor, error amplifier with its network, modulator
"""
