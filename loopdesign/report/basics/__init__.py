"""What every subject of the report shares: axes, words for a status, tables.

`axes`    what every frequency plot shares
`sheet`   a figure as a sheet of panels with title and date above them
`scale`   one unit for a whole column or axis
`tables`  tables of numbers with their units
`layout`  tables as aligned text that fits a terminal
`exact`   values with all their digits
`status`  words of the verdict
`brief`   a result in a few lines
`date`    the date that a report bears
"""
