"""Parts as an engineer places them by hand: what the robust choice must equal or beat.

`placement`  ideal parts for a crossover and a phase margin
`synthesis`  placed, rounded, checked at every corner, stepped back
"""
