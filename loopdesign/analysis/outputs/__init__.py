"""Further outputs of a stage: what they give where only one of them is regulated.

`cross`      cross regulation: averages of the further outputs over line and all loads
`impedance`  their small-signal output impedance
"""
