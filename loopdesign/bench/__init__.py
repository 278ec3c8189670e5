"""Hold the prediction against a measured response: read, compare, fit.

`reading`   the text that an analyser exports, whatever its layout and language, to complex values over frequency
`predict`   the exact switched model at the operating point of the measurement, any part varied, as one batch
`plan`      what to measure, what to expect there, and how much to inject
`keys`      which value of the case a key names
`compare`   inversion, noise floor, differences and margins of measured and predicted
`fitting`   parts refined by least squares, with their 95 % intervals; causes with their odds
`board`     the design examined with the refined parts, and new compensation for that board
`result`    what a comparison found
`steps`     a measured load step against that of the exact model
`words`     what it says in sentences
`hold`      the whole way, for one file or several
`point`     the operating point of a measurement
"""
