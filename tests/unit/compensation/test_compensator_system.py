"""The compensator as a linear system: against its closed form, evaluated by python-control."""

import control
import numpy as np
import pytest
from numpy.testing import assert_allclose

from loopdesign.compensation.compensator import (
    Divider,
    NetworkParts,
    OperationalAmplifier,
    ShuntOptocoupler,
    TransconductanceAmplifier,
)
from loopdesign.compensation.state_space import Compensator

AMPLIFIERS = {
    "transconductance": TransconductanceAmplifier(gm=1e-3, output_resistance=2e6),
    "operational": OperationalAmplifier(dc_gain=1e4, gain_bandwidth=5e6),
    "operational, no pole": OperationalAmplifier(dc_gain=1e4),
    "shunt optocoupler": ShuntOptocoupler(
        transfer_ratio=0.8, bandwidth=30e3, pull_up=4.7e3, led_resistance=1.5e3, dc_gain=600.0, gain_bandwidth=2e6
    ),
}
NETWORKS = {
    "I": NetworkParts(network="type I", C1=10e-9),
    "II": NetworkParts(network="type II", R1=12e3, C1=10e-9, C2=150e-12),
    "III": NetworkParts(network="type III", R1=12e3, C1=10e-9, C2=150e-12, R2=3.3e3, C3=220e-12),
}
HZ = np.geomspace(1.0, 1e6, 25)


@pytest.mark.parametrize("lead", [0.0, 22e-12], ids=["plain", "lead"])
@pytest.mark.parametrize("network", NETWORKS)
@pytest.mark.parametrize("amplifier", AMPLIFIERS)
def test_system_answers_as_the_closed_form(amplifier, network, lead):
    """Netlist, state space and python-control on one side, admittances on paper on the other."""
    divider = Divider(upper=115e3, lower=10e3, feedforward=lead)
    compensator = Compensator(amplifier=AMPLIFIERS[amplifier], divider=divider, network_parts=NETWORKS[network])
    system = compensator.to_control()
    assert isinstance(system, control.StateSpace)
    assert (system.input_labels, system.output_labels) == (["v(sense)"], ["-v(control)"])
    read = control.frequency_response(system, 2 * np.pi * HZ).complex.ravel()
    # eigenvalues from hertz to megahertz in one matrix cost python-control some of sixteen digits
    assert_allclose(read, compensator.response(HZ), rtol=1e-8)


def test_dc_gain_is_the_divider_times_the_amplifier():
    """At dc every capacitor is open: gm times output resistance times the divided output."""
    compensator = Compensator(
        amplifier=AMPLIFIERS["transconductance"], divider=Divider(upper=115e3, lower=10e3), network_parts=NETWORKS["II"]
    )
    assert_allclose(control.dcgain(compensator.to_control()), 1e-3 * 2e6 * 10e3 / 125e3, rtol=1e-9)


def test_capacitors_alone_between_two_ideal_sources_share_one_state():
    """C3 without R2 and C2 meet at the feedback node: the response of the closed form, with a state less."""
    parts = NetworkParts(network="type III", R1=12e3, C1=10e-9, C2=150e-12, R2=0.0, C3=220e-12)
    for name, states in (("operational", 3), ("operational, no pole", 2), ("shunt optocoupler", 4)):
        compensator = Compensator(
            amplifier=AMPLIFIERS[name], divider=Divider(upper=115e3, lower=10e3), network_parts=parts
        )
        system = compensator.to_control()
        assert system.nstates == states
        read = control.frequency_response(system, 2 * np.pi * HZ).complex.ravel()
        assert_allclose(read, compensator.response(HZ), rtol=1e-8)
