"""An upper bound on the score of every combination of a lattice that is too large to look at whole.

The preferred values are let go: any network whose parts lie between the least and the largest value of each series is
allowed. With an ideal amplifier a network of R1, C1, C2, R2 and C3 has a gain, an integrator, two zeros and two poles,

    T = P K (1 + s z1)(1 + s z2) / (s (1 + s p1)(1 + s p2)),      s = 2 pi i f,
    z1 = R1 C1,  p1 = R1 C1 C2/(C1 + C2),  z2 = (R2 + upper) C3,  p2 = R2 C3  (operational amplifier)
    p2 = (R2 + upper lower/(upper + lower)) C3                                (transconductance amplifier)

(the trade's type III network, which holds types I and II; derived from the admittances of `compensation.response`). A
feed-forward capacitor adds a zero, and a pole around a transconductance amplifier. Size and angle of each factor rise
with its time constant, and so does the ratio of its sizes above and at a reference frequency. Over a block, a range
of each time constant, the extremes of every sum of them are therefore those of its terms at the ends of the ranges.
At every corner the gain must be below one where the phase allows no crossover any more or the limit is passed, which
bounds K from above, and with K what the other corners can reach. A finite amplifier divides T by 1 + e, ``|e| <= e0 +
e1 |Ti|``, Ti being T with an ideal one, which widens every bound: where ``|T| < 1``, ``|Ti| <= (1 + e0)/(1 - e1)``,
or anything where e1 reaches one; and s C never falls in size, so that Ti one point ahead is larger by what P/s falls
at most, however sharp a resonance. Where the phase may jump by half a turn from point to point, none is excluded
there.

A light source fed from the output takes 1 + C in place of C. T is not proportional to K then, and there is no bound.

The block that promises most is halved, again and again, until no block promises more than what was found, or a number
of blocks is reached (branch and bound; A. H. Land, A. G. Doig, "An automatic method of solving discrete programming
problems", Econometrica 28, 1960; from memory). What the best block left promises is the bound. Corners, grid points and
conditions that are left out make it larger and never wrong: of each round of blocks some say which corners decide, and
the others are held against those alone.

`factors`  zeros and poles over a block, and what a corner makes of them
`promise`  what a block can reach at best
`halving`  blocks halved until the bound is as low as it gets
"""

from loopdesign.synthesis.search.bound.halving import best_possible

__all__ = ["best_possible"]
