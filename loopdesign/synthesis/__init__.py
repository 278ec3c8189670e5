"""Propose parts.

`choice`    the robust choice: every combination of preferred values at all corners
`search`    the search it rests on
`baseline`  the same by hand formulas: K factor, or zero and pole
`cures`     damper, ramp and divider: what no compensation network can mend
"""
