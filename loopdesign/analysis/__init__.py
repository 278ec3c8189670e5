"""Examine a case.

`check`         operating points, plant, loop gain, margins and verdict at every corner
`limits`        the one rule for what fails, and by how much
`failing`       what a check without a stable operating point fails by, in a word
`readings`      margins and verdicts of a batch as arrays
`findings`      what a check says of one corner
`given`         parts and words that a caller gives beside the case
`grids`         frequencies examined
`responses`     numbers at given frequencies
`curves`        responses of every corner for the plots
`impedances`    impedances and line rejection of every corner
`variants`      many converters with other part values at once; worst tolerance ends
`worst`         a check beyond nominal parts: every temperature and the worst tolerance ends
`outputs`       further outputs of a stage, of which only one is regulated
`filter_study`  the input filter
`spread`        Monte Carlo over tolerances
`transient`     load and line steps in time
`startup`       start-up from discharged capacitors, and a drop-out of the line
`regimes`       light load and overload: what the converter does outside of regulation by a pulse every period
`loads`         every load of a case over its input voltages
"""
