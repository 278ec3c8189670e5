"""Elements, netlist to switched state space, topologies, modulator, converter, linear algebra.

`elements`        what a netlist is made of
`nodal`           nodal equations, element by element
`circuit`         from netlist to switched state space
`places`          which devices conduct, as a number of a configuration
`topologies`      one short file per topology
`modulator`       the comparator that ends the on-time
`converter`       source, filter, stage, load and control as one network
`batch`           items of a batch taken out, joined, examined in halves
`linear_algebra`  singular solves, matrix exponentials, modal form over a batch
"""
