"""Many cases beside each other, as results that show themselves.

`sweep`    margins and verdict against one or two quantities
`compare`  two or more cases side by side
`size`     the smallest parts that meet every target
`loads`    every load over the input voltages
"""
