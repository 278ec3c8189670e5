"""The report on the spread over tolerances.

`text`          tables: conditions, yield against worst case, ranking
`plots`         histograms, and the loop gain as a band
`worst_sample`  the worst sample as a case file
"""
