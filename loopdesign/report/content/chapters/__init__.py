"""The chapters of a report, each a function from results to blocks.

`opening`   verdict, what fails, warnings, proposals, cautions
`inputs`    every value of the case, with all its digits
`loop`      parts of the loop and why, margins, Bode and Nyquist
`power`     operating points, stress, ratings, effective values, poles and zeros of the plant
`dynamics`  impedances, steps, filters, spread
`method`    how far the models agree, method, limits, sources
"""
