"""What a converter does outside of regulation by a pulse every period: light load, and overload.

`light`       what is told of a load that needs less than a pulse every period
`skipping`    a converter that skips pulses, stepped until its bursts are steady
`least`       pulses skipped or an output that rises: which of them, where the least pulse brings too much
`kept`        the case's own operating points that the controller does not keep
`boundary`    the load below which regulation by a pulse every period ends, over input voltage
`ceiling`     orbits at given duty and load against what a controller at its limit gives
`power`       where the power goes, and whether it adds up
`overloaded`  points of an output characteristic: kept, stable, stepped
`overload`    the output characteristic from the largest load into a short
`loads`       all of it for a case
"""
