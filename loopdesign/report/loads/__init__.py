"""Every load of a case: boundaries over input voltage, light load, and the output characteristic of an overload.

`tables`  loads as tables
`text`    loads in words
`plots`   regimes over input voltage, and output characteristics
"""
