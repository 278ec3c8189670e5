"""Refine parts until the exact model meets the measurements.

`scatter`   how much every point scatters, found from the points
`problem`   residuals and derivatives of all files over one set of parts, batched
`likely`    how far a part is commonly from its value, to weigh causes that the data hardly part
`result`    what a fit found
`fit`       least squares, 95 % intervals, parts that the data cannot see
`causes`    single parts and pairs tried in turn, with their odds
"""
