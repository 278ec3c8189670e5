"""Read what an analyser exports.

`text`         bytes to lines; what is not delimited text is refused by its kind
`layout`       separator, decimal sign, where the numbers begin
`headings`     what a heading says, in many languages
`by_values`    what the values of columns say of their kind
`columns`      which column is what, by header, unit and values
`told`         columns and units that a caller names
`table`        the rows, their numbers, and the rows without a value
`scope`        time and voltage of an oscilloscope's record
`measurement`  the whole way from a file to a `Measurement`
"""
