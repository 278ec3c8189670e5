"""What ``import loopdesign as ld`` shows: one function for each command, and results that show themselves.

The rooms below compute and draw; here a function takes what a person types (a path, a part as "10 kohm"), and its
result is the one computed below together with the ways of showing it: ``print()``, a notebook, rows, a figure.

`case`      a case or the path of one
`shown`     what every result can do
`check`, `design`, `response`, `step`, `spread`   one module for each command
`filter`    the input filter, of a check
"""
