"""How to measure a loop on the bench: where to inject, how large, what spoils it, and how to stay alive."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.units.quantities import format_quantity

if TYPE_CHECKING:
    from loopdesign.case import Case

LEAST_RATIO = 20.0
"""Impedance behind the injection point over the one before it that keeps the error of gain below half a decibel."""
POINTS_PER_DECADE = 20
"""Points of a sweep per decade: enough for every resonance of a converter with real losses (common practice)."""


def bench_guide(case: Case | None = None) -> tuple[tuple[str, str], ...]:
    """Write the guide to a measurement of the loop.

    Parameters
    ----------
    case : Case, optional
        The case, whose divider and switching frequency are named; general words without it.

    Returns
    -------
    tuple of tuple of str
        Heading and text of every paragraph, in the order of the work. The error of injection is that of R. W. Erickson,
        D. Maksimovic, "Fundamentals of Power Electronics", 3rd ed., 2020, section 9.6.
    """
    return (
        ("Where to inject", _where(case)),
        ("Source and load impedance at the injection point", _impedances(case)),
        ("How large", _level()),
        ("Grounds and probes", _grounds()),
        ("Frequencies, bandwidth and averaging", _bandwidth(case)),
        ("Operating point", _point()),
        ("Before the power goes on", _live()),
    )


def _where(case: Case | None) -> str:
    """Say where the loop is opened for the signal, and why there."""
    upper = "the upper divider resistor"
    if case is not None and case.current_sense is not None:
        upper = "the line from the current-sense resistor to the amplifier"
    return (
        f"Put a resistor of 10 to 50 ohm between the output and {upper}, and inject across it through a "
        f"transformer made "
        "for it. Every signal of the loop passes there, a low impedance (the output capacitor) drives a high one (the "
        "divider), and the dc path stays closed, so the converter keeps its operating point. Channel 1 goes to the "
        "divider side, channel 2 to the output side; the loop gain is channel 2 over channel 1, with the sign turned: "
        "the 180 degrees of the inversion are found and taken out when the file is read. A feedback path that "
        "joins the "
        "output elsewhere, such as a light-emitting diode fed from the output or a capacitor to another node, must be "
        "behind the injection point as well, or the measured loop is not the whole one."
    )


def _impedances(case: Case | None) -> str:
    """Say what source and load impedance do to the reading."""
    said = (
        "What is read is T (1 + Z1/Z2) + Z1/Z2, with Z1 the impedance that drives the injection point and Z2 the one "
        "behind it: 50 ohm before 500 ohm already give 0.83 dB, and nothing can be read below -20 dB. Keep "
        f"Z2 above {LEAST_RATIO:g} Z1 over the whole sweep."
    )
    if case is not None and case.divider is not None and case.divider.feedforward:
        said += (
            " The capacitor across the upper divider resistor lowers Z2 as the frequency rises: check the ratio at the "
            "highest frequency."
        )
    return (
        f"{said} A point inside the compensation network, or the pin of a transconductance amplifier, has a high "
        "impedance on both sides and is no place to inject. Probes add about 10 pF each: on the divider side "
        "that is part "
        "of the circuit."
    )


def _level() -> str:
    """Say how large the injected signal should be."""
    return (
        "Begin with about 20 mV at the output near the crossover and more below it, where the loop suppresses the "
        "signal. Then halve it and compare: where the two curves differ, the larger one drove a limit (duty, clamp, "
        "current limit, discontinuous conduction) and is wrong; where the smaller one is ragged, it lies in the noise. "
        "Use the largest level at which halving changes nothing, shaped over frequency if the analyser can. Watch the "
        "output with an oscilloscope all the while: a sine without kinks, far below the ripple's own peaks."
    )


def _grounds() -> str:
    """Say where grounds belong."""
    return (
        "Both probes and the injection transformer refer to the ground of the divider, at one point, by spring tips or "
        "coaxial leads; clips with long wires pick up the switching edges. Never let the analyser's ground carry load "
        "current. Isolate the source: with a grounded injection source, part of the signal takes the other path. In a "
        "converter with isolation, measure on the side where the divider is."
    )


def _bandwidth(case: Case | None) -> str:
    """Say how to sweep."""
    half = "half the switching frequency"
    if case is not None:
        half += f" ({format_quantity(0.5 * case.converter.switching_frequency, 'Hz')})"
    return (
        f"Sweep from a tenth of the lowest pole to {half}; beyond it a sampled loop folds back, and such points "
        f"are left "
        f"out. Take {POINTS_PER_DECADE} points per decade, more around a resonance. Narrow the analyser's "
        f"bandwidth to a "
        "tenth of the frequency or less and average until two sweeps agree within 0.2 dB near the crossover; stay away "
        "from the switching frequency and its beat with the sweep. Low frequencies take seconds each: let the board "
        "become warm first, and repeat the first points at the end."
    )


def _point() -> str:
    """Say what to write down."""
    return (
        "Write input voltage, load current and temperature into the first lines of the file, such as 'Vin = 12 "
        "V, Iout = "
        "0.8 A': they are read from there. Measure at the lowest and the highest input voltage, each at the lowest and "
        "the highest load: one part that is off shows itself at several points in different ways, and all files are "
        "fitted at once. An electronic load in constant-current or constant-power mode is another load than a "
        "resistor; "
        "use the one that the case names."
    )


def _live() -> str:
    """Say how to stay alive."""
    return (
        "A converter on the bench can kill. Work with an isolated supply and its current limit set; discharge the "
        "capacitors and measure that they are discharged before touching anything; use probes and transformers rated "
        "for the voltage against earth; wear eye protection, for electrolytic capacitors vent; keep one hand away from "
        "the circuit; do not work alone. An analyser's input is no place for more than it is rated for: begin with the "
        "power off and raise the input slowly."
    )
