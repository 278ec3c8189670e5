"""The battery every topology passes: what must hold whatever the netlist, checked by routes that share no model.

Energy balance by quadrature over every resistance; averaged against switched; the verdict against brute time stepping;
impedance scaling; three routes to the margins; designs that meet their targets.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.testing import assert_allclose
from stations import FREQUENCY, STATIONS
from stepping import Circuit

from loopdesign.analysis.check import closed_model, examine_stage
from loopdesign.corners.converters import compensation
from loopdesign.margins.margins import find_margins, headline_margins, margins_from_grid
from loopdesign.models.averaged import average
from loopdesign.models.switched import control_to_output, input_impedance, linearise, loop_gain, output_impedance
from loopdesign.models.verdict import verdicts
from loopdesign.network.converter import PROBES, netlist, sink_current
from loopdesign.network.elements import Capacitor, Diode, Inductor, Resistor, Switch
from loopdesign.network.linear_algebra import expm
from loopdesign.network.modulator import PeakCurrentMode
from loopdesign.orbit.operating_point import operating_point
from loopdesign.synthesis.baseline.synthesis import place_and_round
from loopdesign.synthesis.choice import choose

every = pytest.mark.parametrize("station", STATIONS, ids=lambda s: s.name)
drawn = pytest.mark.parametrize(
    "station",
    [pytest.param(s, marks=() if s.every_run else pytest.mark.nightly, id=s.name) for s in STATIONS],
)
"""As `every`, but a choice over a lattice of five parts is made for one stage of each topology; nightly for all."""
subharmonic = pytest.mark.parametrize(
    "station",
    [s for s in STATIONS if s.scheme == "peak current" and s.mode == "CCM"],
    ids=lambda s: s.name,
)


@cache
def examined(station):
    return examine_stage(station.case())


@cache
def designed(station):
    """The choice as design makes it, line and load as corners, on series coarse enough for sixty converters."""
    case = station.case()
    coarse = case.targets.model_copy(update={"resistor_series": "E24", "capacitor_series": "E6"})
    return choose(case.model_copy(update={"targets": coarse}), tolerances=False)


@cache
def closed(station):
    return designed(station).check.closed_loop


def _resistances(elements):
    """Name and ohms of every element that turns current into heat."""
    for e in elements:
        if isinstance(e, Capacitor):
            yield e.name, e.esr
        elif isinstance(e, (Resistor, Inductor, Switch, Diode)):
            yield e.name, e.resistance


def _integrals(point, probes, order=20):
    """Average over the period of every probe and of its square, by Gauss-Legendre quadrature in each interval."""
    network = point.network
    rows = [network.output_index(p) for p in probes]
    nodes, weights = np.polynomial.legendre.leggauss(order)
    mean, square = np.zeros(len(rows)), np.zeros(len(rows))
    for k, x, length in zip(point.sequence.configuration[0], point.states[0], point.lengths[0], strict=False):
        c, n = network.configurations[k], len(x)
        N = np.zeros((n + 1, n + 1))
        N[:n, :n], N[:n, n] = c.A[0], c.B[0] @ point.inputs[0]
        for node, weight in zip(0.5 * length * (nodes + 1.0), 0.5 * length * weights, strict=True):
            state = (expm(N * node) @ np.append(x, 1.0))[:n]
            y = c.C[0][rows] @ state + c.D[0][rows] @ point.inputs[0]
            mean += weight * y
            square += weight * y**2
    return mean, square


@every
def test_energy_balance(station):
    """What the source gives is what load, resistances and diode drop take; windings and capacitors keep nothing."""
    stage = examined(station)
    elements = netlist(stage.converter)
    heat = dict(_resistances(elements))
    probes = tuple(f"i({name})" for name in heat)
    point = operating_point(stage.converter, stage.point.sequence, (*PROBES, *(p for p in probes if p not in PROBES)))
    mean, square = _integrals(point, ("i(line)", "i(diode)", "v(out)", *probes))
    delivered = -mean[0] * stage.converter.input_voltage[0]
    spent = np.dot(square[3:], [np.ravel(r)[0] for r in heat.values()]) + mean[1] * stage.converter.stage.diode_drop
    spent += mean[2] * sink_current(stage.converter)[0]
    assert_allclose(mean[2], stage.converter.output_voltage[0], rtol=1e-9)
    assert_allclose(spent, delivered, rtol=1e-8)
    assert delivered > stage.converter.output_voltage[0] * station.load
    assert bool(stage.point.discontinuous[0]) is (station.mode == "DCM")


@every
def test_averaged_against_switched(station):
    """0.25 dB and 1.5 degrees below fs/10 in continuous, 0.5 dB and 3 degrees below fs/20 in discontinuous conduction."""
    stage = examined(station)
    share, gain_db, phase_deg = (20.0, 0.5, 3.0) if station.mode == "DCM" else (10.0, 0.25, 1.5)
    f = np.geomspace(FREQUENCY / 3000.0, FREQUENCY / share, 60)
    averaged = average(stage.point, stage.converter.modulator).response(f, "control", "v(out)")[0]
    ratio = averaged / control_to_output(stage.model, f)[0]
    assert np.abs(20.0 * np.log10(np.abs(ratio))).max() < gain_db
    assert np.abs(np.degrees(np.angle(ratio))).max() < phase_deg


def _scale(point):
    """Size each state has during the period."""
    return np.maximum(np.maximum(np.abs(point.start[0]), np.abs(point.at_duty[0])), 1e-9)


@drawn
def test_multipliers_against_time_stepping(station):
    """The closed loop's period map, differentiated from simulated cycles; 1e-4 is what central differences leave."""
    point = closed(station).point
    circuit = Circuit(point)
    start = point.start[0]
    assert_allclose(circuit.cycle(start), start, atol=1e-8 * _scale(point).max())
    found = np.linalg.eigvals(circuit.period_map(start, _scale(point)))
    expected = closed(station).multipliers[0]
    assert_allclose(np.sort(np.abs(found))[-3:], np.sort(np.abs(expected))[-3:], rtol=1e-4)


def _follow(model, cycles):
    """Start a small departure along the worst mode; return its simulated and its predicted size after some cycles."""
    modes = model.period_modes
    k = int(np.argmax(np.abs(modes.values[0])))
    value, vector = modes.values[0, k], modes.vectors[0, :, k]
    scale = _scale(model.point)
    vector = 1e-5 * vector / np.abs(vector / scale).max()
    rest = model.point.start[0]
    circuit = Circuit(model.point)
    x = rest + vector.real
    for _ in range(cycles):
        x = circuit.cycle(x)
    return (x - rest) / scale, (value**cycles * vector).real / scale


@drawn
def test_stable_verdict_is_what_time_shows(station):
    """A small departure along the worst mode decays cycle by cycle as the multiplier says."""
    assert designed(station).check.verdicts[0].stable
    largest = np.abs(closed(station).multipliers[0]).max()
    cycles = int(np.clip(np.log(0.2) / np.log(largest), 3, 25))
    found, expected = _follow(closed(station), cycles)
    assert np.abs(expected).max() < 1e-5
    assert_allclose(found, expected, atol=2e-3 * np.abs(expected).max())


@subharmonic
def test_unstable_verdict_is_what_time_shows(station):
    """Without a ramp, above half duty, the current loop doubles its period: verdict, name and simulation agree."""
    assessment = designed(station).check
    case = station.case(slope=0.0, low_line=True)
    stage = examine_stage(case)
    assert stage.point.duty[0] > 0.55
    model = closed_model(case, stage, assessment.parts)
    (verdict,) = verdicts(stage.model, model)
    assert not verdict.stable
    assert not verdict.current_loop_stable
    assert verdict.worst_mode.name == "subharmonic"
    found, expected = _follow(model, 4)
    assert np.abs(expected).max() > 1.2e-5
    assert_allclose(found, expected, atol=0.02 * np.abs(expected).max())


def _scaled(value, factor):
    """Scale a part value's impedances."""
    if value is None:
        return None
    fields = {}
    for name in ("inductance", "resistance", "capacitance", "esr"):
        if hasattr(value, name):
            fields[name] = getattr(value, name) * (1.0 / factor if name == "capacitance" else factor)
    return replace(value, **fields)


def _scaled_converter(converter, factor):
    s = converter.stage
    stage = replace(
        s,
        **{name: _scaled(getattr(s, name), factor) for name in ("L1", "L2", "Cs", "damper")},
        Co=tuple(_scaled(c, factor) for c in s.Co),
        **{n: getattr(s, n) * factor for n in ("switch_resistance", "diode_resistance", "secondary_resistance")},
    )
    modulator = converter.modulator
    if isinstance(modulator, PeakCurrentMode):
        modulator = replace(modulator, sense_gain=modulator.sense_gain * factor)
    source = tuple(_scaled(e, factor) for e in converter.source)
    current = converter.load_current / factor
    return replace(converter, stage=stage, load_current=current, modulator=modulator, source=source)


@drawn
def test_impedance_scaling(station):
    """Every impedance of stage and load three times as large: the same loop gain, terminal impedances three times.

    At low frequency the divider side holds a thousandth of the injection, and modal form keeps half the digits at worst:
    hence 1e-5.
    """
    model = closed(station)
    converter = _scaled_converter(examined(station).converter, 3.0).closed(_compensation(station))
    other = linearise(operating_point(converter))
    f = np.geomspace(FREQUENCY / 2000.0, 0.45 * FREQUENCY, 20)
    assert_allclose(other.point.duty, model.point.duty, rtol=1e-9)
    assert_allclose(loop_gain(other, f), loop_gain(model, f), rtol=1e-5)
    assert_allclose(output_impedance(other, f), 3.0 * output_impedance(model, f), rtol=1e-5)
    assert_allclose(input_impedance(other, f), 3.0 * input_impedance(model, f), rtol=1e-5)


def _compensation(station):
    found = designed(station).check
    return compensation(found.case, found.parts)


@drawn
def test_margins_agree_by_every_route(station):
    """Crossings refined on the model, read off a dense grid one by one, and read off it for all loops at once."""
    model = closed(station)
    refined = designed(station).check.margins[0]
    f = np.geomspace(3e-5 * FREQUENCY, 0.5 * FREQUENCY, 6000)
    loop = loop_gain(model, f)
    (grid,) = margins_from_grid(f, loop)
    headline = headline_margins(f, loop)
    (again,) = find_margins(lambda hz: loop_gain(model, hz), low_hz=f[0], high_hz=0.5 * FREQUENCY, count=700, batch=1)
    for found in (grid, again):
        assert len(found.crossovers_hz) == len(refined.crossovers_hz)
        assert found.crossover_hz == pytest.approx(refined.crossover_hz, rel=1e-4)
        assert found.phase_margin_deg == pytest.approx(refined.phase_margin_deg, abs=0.01)
        assert found.modulus_margin == pytest.approx(refined.modulus_margin, rel=1e-4)
        if refined.gain_margin_db is None:
            assert found.gain_margin_db is None
        else:
            assert found.gain_margin_db == pytest.approx(refined.gain_margin_db, abs=0.01)
    assert headline.crossover_hz[0] == pytest.approx(refined.crossover_hz, rel=1e-4)
    assert headline.phase_margin_deg[0] == pytest.approx(refined.phase_margin_deg, abs=0.01)
    assert headline.modulus_margin[0] == pytest.approx(refined.modulus_margin, rel=1e-4)


@drawn
def test_design_meets_its_targets(station):
    """The loop that was asked for, read from the switched model, with preferred values; the current loop is stable."""
    assessment = designed(station).check
    assert assessment.targets_met
    margins, verdict = assessment.margins[0], assessment.verdicts[0]
    assert margins.phase_margin_deg >= 55.0
    assert margins.gain_margin_db is None or margins.gain_margin_db >= 10.0
    assert margins.modulus_margin >= 0.5
    assert margins.crossover_hz <= FREQUENCY / 10.0
    assert verdict.stable
    # at constant power the stage by itself drifts away slowly; the voltage loop holds it
    assert verdict.current_loop_stable or station.kind == "power"


@drawn
def test_choice_beats_or_equals_placing_and_rounding(station):
    """The K-factor baseline on the same series and divider crosses no higher; a tie of one percent is given away."""
    found = designed(station).check
    compensation = found.case.compensation
    opened = compensation.model_copy(update=dict.fromkeys(compensation.parts))
    baseline = place_and_round(found.case.model_copy(update={"compensation": opened})).check
    assert found.margins[0].crossover_hz >= 0.99 * baseline.margins[0].crossover_hz
