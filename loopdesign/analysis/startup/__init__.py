"""Start-up from discharged capacitors, and a drop-out of the line and its return, followed cycle by cycle.

`plan`    where a run begins, and what its inputs do
`record`  a run with inputs that follow a profile, and the peaks of its currents
`rise`    every corner of a case, and what is read from its run
"""
