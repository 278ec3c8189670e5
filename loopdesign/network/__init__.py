"""Elements, netlist to switched state space, topologies, modulator, converter, linear algebra."""
