"""A sweep, a comparison, a search for small parts and sensitivities, for a person to read.

`sweep_text`        a sweep in words and tables
`sweep_plots`       a sweep drawn
`compare_text`      cases side by side in words, tables and a plot
`size_text`         the smallest parts in words and tables
`size_plot`         cost against step deviation
`sensitivity_text`  what each part does to each margin
`drawing`           a figure whose margins find themselves
"""
