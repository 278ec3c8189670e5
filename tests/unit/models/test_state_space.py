"""Linear systems with one input and one output: against transfer functions on paper and python-control."""

import control
import numpy as np
from numpy.testing import assert_allclose

from loopdesign.models.state_space import LinearSystem

LAG = LinearSystem(
    A=np.array([[-100.0]]), B=np.array([5.0]), C=np.array([20.0]), D=0.0, states=("x",), input="u", output="v"
)
"""1 / (1 + s/100)"""
LEAD = LinearSystem(
    A=np.array([[-2e3]]), B=np.array([1.0]), C=np.array([-3.8e4]), D=20.0, states=("z",), input="v", output="y"
)
"""(1 + s/100) / (1 + s/2000): feed-through 20, residue (100 - 2000) 20"""
HZ = np.array([0.1, 10.0, 1e3])
S = 2j * np.pi * HZ


def test_response_is_the_transfer_function():
    assert_allclose(LAG.response(HZ), 1 / (1 + S / 100), rtol=1e-13)
    assert_allclose(LEAD.response(HZ), (1 + S / 100) / (1 + S / 2000), rtol=1e-12)
    assert LAG.response(1.0).shape == (1,)


def test_chain_multiplies_and_keeps_the_names():
    """The lead's zero cancels the lag's pole; a swap of the two would leave the product and change the names."""
    both = LAG.before(LEAD)
    assert_allclose(both.response(HZ), 1 / (1 + S / 2000), rtol=1e-12)
    assert (both.input, both.output, both.states) == ("u", "y", ("z", "x"))
    assert_allclose(LEAD.before(LAG).response(HZ), both.response(HZ), rtol=1e-12)


def test_control_gets_the_same_system():
    system = LAG.before(LEAD).to_control()
    assert isinstance(system, control.StateSpace)
    assert_allclose(np.sort(control.poles(system).real), [-2e3, -100.0], rtol=1e-12)
    assert_allclose(control.zeros(system).real, [-100.0], rtol=1e-9)
    assert system.state_labels == ["z", "x"]
