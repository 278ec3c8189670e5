"""The brute-force judge: converters simulated from equations written by hand, and what they really do.

Shares no code with the package. From the file to the verdict (`random_designs`, beside this folder, draws the files):

`casevalues`      the text of a case file to plain numbers, by a reader of its own
`equations`       Kirchhoff's equations of seven topologies for every combination of conducting devices
`controllers`     error amplifiers, networks, clamp
`simulator`       exact motion between edges and how edges are found
`cycles`          one switching period, device by device
`orbits`          periodic operating points, multipliers, the highest output
`judging`         whether the orbit exists, whether the comparator keeps it, whether a disturbance dies
`responses`       small-signal responses by an injected sinusoid
"""
