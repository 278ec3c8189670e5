"""What a check finds at one corner: its figures, what keeps it from being held, and what its parts carry.

`corner`       operating point, verdict and margins of one corner, in plain numbers
`nominal`      plants with nominal parts at every line, load and temperature
`held`         what the converter does where it does not stay at its operating point, stepped from there
`worst`        the worst of everything examined, where it occurs and which ends make it
`step`         the largest departure at the load step against its target
`ratings`      what parts carry against their ratings
`clamp`        the clamp of a leakage inductance: voltage, loss, lost duty
`pull_up`      what an optocoupler and its pull-up deliver, and what is needed
`direct_path`  the path through the LED resistor of an optocoupler alone
"""
