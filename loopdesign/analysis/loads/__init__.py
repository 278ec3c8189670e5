"""Every load of a case over its input voltages.

`ends`    the boundaries at the tolerance ends
`result`  all that was found for a case
`loads`   finds it
"""
