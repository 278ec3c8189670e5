"""The report on load and line steps.

`text`         steps as tables, text and answer
`words`        words used alike by tables, text and plots
`plots`        load and line steps drawn
`panels`       what every plot of steps shares
`growth`       small disturbances from cycle to cycle
`start`        start-ups and drop-outs as text and answer
`start_plots`  start-ups and drop-outs drawn
"""
