"""What a converter does outside of regulation by a pulse every period: light load, and overload.

`light`     stepping a converter whose least pulse is too much for its load: pulses skipped, or an output that rises
`boundary`  the load below which regulation by a pulse every period ends, over input voltage
`overload`  the output characteristic with the controller at its limit, from full load into a short
`loads`     all of it for a case
"""
