"""The report on operating points, plant, loop and margins.

`given`          what the case file gives, in words
`terminal`       what a person reads on the terminal
`answer`         the machine-readable answer of a check or a design
`overview`       all lines and loads in one picture
`plots`          Bode plots of loop and plant, Nyquist plot near -1
`response_text`  a response as text, as an object and as comma-separated values
`response_plot`  Bode plot of one response
`worst`          the worst readings as a table
`ratings`        what parts carry against their ratings, as a table
`outputs`        further outputs and elements, as tables
"""
