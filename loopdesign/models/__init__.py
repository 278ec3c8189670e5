"""Small-signal models, switched and averaged; poles, zeros and their names; the verdict.

`switched`            exact small-signal response and multipliers
`interval_integrals`  integrals of a perturbation over one interval
`periodic_response`   response of any piecewise linear network that repeats every period
`averaged`            the state-space average
`discontinuous`       its reduced-order form in discontinuous conduction
`identified`          poles and zeros where no averaged model holds
`roots`               poles and zeros of a state space
`insight`             named features of the plant
`verdict`             multipliers read as modes, and the stability verdict
`state_space`         a state space with one input and one output, for other libraries
"""
