"""The report on the input filter.

`section`  verdicts, the damper proposed, and what to do about it
`plots`    impedances, and what the filter changes in the loop
"""
