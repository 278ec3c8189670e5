"""Quantities as a person writes them, and preferred values.

`symbols`     units and how their symbols and prefixes are written
`quantities`  text to number and back
`preferred`   series of preferred values (IEC 60063)
"""
