"""A time-invariant state space with one input and one output, in SI units: what is handed to other libraries."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import control
    from numpy.typing import ArrayLike, NDArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LinearSystem:
    """Hold ``dx/dt = A x + B u``, ``y = C x + D u`` of one operating point, in SI units and seconds.

    Attributes
    ----------
    A : ndarray (n, n)
        State matrix [1/s, and the units of the states].
    B : ndarray (n,)
        Input column.
    C : ndarray (n,)
        Output row.
    D : float
        Feed-through.
    states : tuple of str
        Names along the state axis: ``i(L1)`` [A], ``v(Cs)`` [V], ``duty`` [unitless].
    input, output : str
        Names of input and output.
    """

    A: NDArray[np.float64]
    B: NDArray[np.float64]
    C: NDArray[np.float64]
    D: float
    states: tuple[str, ...]
    input: str
    output: str

    def response(self, frequencies_hz: ArrayLike) -> NDArray[np.complex128]:
        """Evaluate the frequency response.

        Parameters
        ----------
        frequencies_hz : array_like (F,)
            Frequencies [Hz].

        Returns
        -------
        ndarray (F,)
            Output over input [units of output over input].
        """
        s = 2j * np.pi * np.atleast_1d(np.asarray(frequencies_hz, dtype=np.float64))
        matrix = s[:, None, None] * np.eye(len(self.A)) - self.A
        x = np.linalg.solve(matrix, np.broadcast_to(self.B[:, None], (len(s), len(self.A), 1)))[..., 0]
        return np.asarray(x @ self.C + self.D)

    def before(self, following: LinearSystem) -> LinearSystem:
        """Chain this system and a following one: the output of this one drives the other's input.

        Parameters
        ----------
        following : LinearSystem
            The system driven.

        Returns
        -------
        LinearSystem
            From this input to that output; states of the following system first.
        """
        upper = np.hstack([following.A, np.outer(following.B, self.C)])
        lower = np.hstack([np.zeros((len(self.A), len(following.A))), self.A])
        return LinearSystem(
            A=np.vstack([upper, lower]),
            B=np.concatenate([following.B * self.D, self.B]),
            C=np.concatenate([following.C, following.D * self.C]),
            D=following.D * self.D,
            states=(*following.states, *self.states),
            input=self.input,
            output=following.output,
        )

    def to_control(self) -> control.StateSpace:
        """Convert to a state space of python-control.

        Returns
        -------
        control.StateSpace
            One input, one output and the states, each with its name.
        """
        import control  # noqa: PLC0415  (a second to import; only those who ask pay)

        return control.ss(
            self.A, self.B[:, None], self.C[None, :], [[self.D]], inputs=[self.input], outputs=[self.output],
            states=list(self.states),
        )  # fmt: skip
