"""What a converter does outside of regulation by a pulse every period: light load, and overload.

`light`       what is told of a load that needs less than a pulse every period
`skipping`    a converter that skips pulses, stepped until its bursts are steady
`least`       pulses skipped or an output that rises: which of them, where the least pulse brings too much
`kept`        the case's own operating points that the controller does not keep
`boundary`    the load below which regulation by a pulse every period ends, over input voltage
`overload`    the output characteristic with the controller at its limit
"""
