"""The output characteristic with the controller at its limit.

`string`     a load with a drop that is lengthened, or shorted piece by piece
`power`      where the power goes, and whether it adds up
`ceiling`    orbits at given duty and load against what a controller at its limit gives
`points`     points of a characteristic: kept, stable, stepped
`curve`      the characteristic of a regulated voltage, from the largest load into a short
`held`       the voltages between which a regulated current is held
`compliance` the characteristic of a regulated current, beyond both
`words`      what is left out, and what is taken for granted
`known`      orbits found so far, to begin others from
"""
