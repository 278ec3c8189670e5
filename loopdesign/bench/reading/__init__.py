"""Read what an analyser exports.

`text`         bytes to lines; what is not delimited text is refused by its kind
`layout`       separator, decimal sign, where the numbers begin
`columns`      which column is what, by header, unit and values
`measurement`  the whole way from a file to a `Measurement`
"""
