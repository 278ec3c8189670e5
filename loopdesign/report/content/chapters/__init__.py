"""The chapters of a report, each a function from results to blocks.

`opening`   verdict, what fails, warnings, proposals, cautions
`inputs`    every value of the case, with all its digits
`drawing`   the schematic
`parts`     parts of the loop, each with the reason for it
`loop`      margins, Bode and Nyquist
`power`     operating points, stress, ratings, effective values, poles and zeros of the plant
`dynamics`  impedances, steps, filters, spread
`bench`     how to measure the loop, and what to expect
`method`    how far the models agree, method, limits, sources
"""
