"""The tables of the case file.

`parts`       single parts
`stage`       the power stage of each topology, and the filters
`control`     modulator, error amplifier, divider, current sense, compensation network
`demands`     converter, specification, targets, ratings, document
`candidates`  parts that a size search chooses from
`custom`      a stage of the user's own, element by element
"""
