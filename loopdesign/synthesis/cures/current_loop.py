"""A current loop that oscillates by itself: refused, with the damper or the ramp that would stop it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from loopdesign.errors import NoDesignError
from loopdesign.models.verdict import worst_modes
from loopdesign.synthesis.cures.damping import DamperProposal, choose_slope, diagnose, propose_damper

if TYPE_CHECKING:
    from loopdesign.analysis.check import ExaminedStage


def refuse_unstable_current_loop(stage: ExaminedStage) -> None:
    """Refuse a case whose current loop alone oscillates, and propose a cure: no compensation can help.

    Raises
    ------
    NoDesignError
        With the corners and modes, and a damper or a slope proposed.
    """
    told = diagnose(stage)
    if not told:
        return
    advice, nearest = current_loop_cures(stage)
    raise NoDesignError(
        "the current loop alone is unstable, so no compensation can make the converter stable",
        nearest=nearest,
        obstacles=[*told, *advice],
    )


def current_loop_cures(stage: ExaminedStage) -> tuple[list[str], dict[str, object]]:
    """Propose a cure for an unstable current loop.

    Parameters
    ----------
    stage
        Power stage at any corners, tolerance ends among them or not.

    Returns
    -------
    advice, proposed
        Sentences, and values by name: ``damper`` with its resistance [ohm] and capacitance [F], ``slope`` [V/s].
    """
    modes = {m.name for m in worst_modes(stage.model) if m.beyond_the_loop}
    advice: list[str] = []
    proposed: dict[str, object] = {}
    values = stage.converter.stage
    if "coupling resonance" in modes and values.damper is None and values.Cs is not None:
        damper = propose_damper(stage)
        proposed["damper"] = {"resistance": damper.resistance, "capacitance": damper.capacitance}
        advice.append(damper_sentence(damper))
    if "subharmonic" in modes:
        slope = choose_slope(stage.point).slope
        proposed["slope"] = slope
        advice.append(
            f"the compensating ramp is too small; a slope of {slope / 1e3:.3g} mV/us makes the current loop stable at "
            "every corner"
        )
    return advice, proposed


def damper_sentence(damper: DamperProposal) -> str:
    """Say which damper is proposed and what it does."""
    effect = (
        f"raises the damping ratio of the resonance to {damper.damping_ratio:.2f} or more at every corner"
        if damper.stable
        else "is the best found, but does not make every corner stable by itself"
    )
    return (
        f"a damper of {damper.resistance:.3g} ohm in series with {damper.capacitance * 1e6:.3g} uF across the coupling "
        f"capacitor {effect} (characteristic impedance {damper.characteristic_impedance:.3g} ohm)"
    )
