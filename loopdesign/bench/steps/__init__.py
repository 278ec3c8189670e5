"""A measured load step held against the step of the exact model, cycle by cycle.

`model`    the step of a case with values of it changed
`compare`  where the step lies in the record, what the record is off by, deviation and settling of both
`fit`      parts refined until the two steps meet
`hold`     the whole way
"""
