"""Error amplifiers and networks: closed form, netlist, poles and zeros, ideal parts."""
