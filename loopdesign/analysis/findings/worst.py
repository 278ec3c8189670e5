"""The worst of everything a check examined, where it occurs and which ends make it, and what was examined."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from loopdesign.corners.conditions import Corners
    from loopdesign.margins.margins import LoopMargins
    from loopdesign.models.verdict import Verdict

LOW_IS_BAD = ("phase_margin_deg", "gain_margin_db", "modulus_margin", "lowest_crossover_hz")
"""Readings whose low end is the bad one."""
WORST = ("phase_margin_deg", "gain_margin_db", "modulus_margin", "crossover_hz", "lowest_crossover_hz",
         "largest_multiplier")  # fmt: skip
"""Every reading that has a worst, in the order it is shown."""
NOTICEABLE = 0.02
"""Share of what the strongest end does to a reading from which an end is named in a sentence."""
TOLD = 4
"""Ends named in a sentence at most."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorstReading:
    """The worst value of one reading over everything examined, and where it occurs.

    Attributes
    ----------
    value : float
        In the unit of the reading.
    input_voltage, load_current, temperature : float
        The corner [V], [A], [degC].
    ends : mapping of str to float
        Relative change of every toleranced value there [unitless], the one that matters most first; empty at nominal
        parts.
    leading : tuple of str or None
        Those of the ends without which the reading would be noticeably better, the strongest first; None where that is
        not known.
    stable : bool
        Whether the converter is stable there [unitless]; a margin where it is not proves nothing.

    Examples
    --------
    >>> import loopdesign as ld
    >>> worst = ld.check("cases/tide_gauge_sepic_undamped.toml").worst["crossover_hz"]
    >>> f"{worst.value / 1e3:.2f} kHz at {worst.input_voltage:.0f} V", worst.ends["Co1.capacitance"]
    ('5.92 kHz at 30 V', -0.2)
    """

    value: float
    input_voltage: float
    load_current: float
    temperature: float
    ends: Mapping[str, float]
    leading: tuple[str, ...] | None = None
    stable: bool = True

    def to_dict(self) -> dict[str, Any]:
        """Turn the reading into plain numbers, ready for JSON.

        Returns
        -------
        dict
            The attributes by name, without ``leading``.
        """
        return {
            "value": self.value,
            "input_voltage": self.input_voltage,
            "load_current": self.load_current,
            "temperature": self.temperature,
            "ends": dict(self.ends),
            "stable": self.stable,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Examined:
    """What a check covers.

    Attributes
    ----------
    corners : int
        Nominal corners of line and load [unitless].
    temperatures : int
        Temperatures [unitless].
    tolerance_ends : bool
        Whether temperatures and the ends of tolerances were examined [unitless].
    points : int
        Operating points judged in all [unitless].
    toleranced_values : int
        Independent causes of spread whose ends were examined [unitless].
    """

    corners: int
    temperatures: int
    tolerance_ends: bool
    points: int
    toleranced_values: int = 0

    def to_dict(self) -> dict[str, Any]:
        """Turn the coverage into plain values, ready for JSON.

        Returns
        -------
        dict
            The attributes by name.
        """
        return {
            "corners": self.corners,
            "temperatures": self.temperatures,
            "tolerance_ends": self.tolerance_ends,
            "points": self.points,
            "toleranced_values": self.toleranced_values,
        }


@dataclass(frozen=True, slots=True, kw_only=True)
class Beyond:
    """What a check finds beyond its nominal corners, at every temperature and the worst tolerance ends.

    Attributes
    ----------
    worst : mapping of str to WorstReading or None
        By reading, nominal corners included; None where there is no such reading.
    examined : Examined
        What was examined.
    stable : bool
        Whether every point examined is stable and held, its output reached [unitless].
    reasons : tuple of str
        What fails there and not as badly at the nominal corners, one sentence each.
    """

    worst: Mapping[str, WorstReading | None]
    examined: Examined
    stable: bool
    reasons: tuple[str, ...]


def nominal_worst(
    conditions: Corners, margins: Sequence[LoopMargins], verdicts: Sequence[Verdict]
) -> dict[str, WorstReading | None]:
    """Find the worst of each reading over nominal corners.

    Parameters
    ----------
    conditions : Corners
        Line, load and temperature (B,) [V], [A], [degC].
    margins : sequence of LoopMargins
        One per corner; empty without a loop.
    verdicts : sequence of Verdict
        One per corner.

    Returns
    -------
    dict of str to WorstReading or None
        By `WORST`; None where a reading exists at no corner that is held.
    """
    told: dict[str, WorstReading | None] = {}
    for name in WORST:
        found = [
            (value, item)
            for item, verdict in enumerate(verdicts)
            if verdict.held is None and (value := _reading(name, item, margins, verdict)) is not None
        ]
        pick = min if name in LOW_IS_BAD else max
        told[name] = None
        if found:
            value, item = pick(found)
            told[name] = WorstReading(
                value=float(value),
                input_voltage=float(conditions.input_voltage[item]),
                load_current=float(conditions.load_current[item]),
                temperature=float(conditions.temperature[item]),
                ends={},
                stable=bool(verdicts[item].stable),
            )
    return told


def _reading(name: str, item: int, margins: Sequence[LoopMargins], verdict: Verdict) -> float | None:
    """Read one corner; None where it has no such reading."""
    if name == "largest_multiplier":
        return verdict.largest_multiplier
    if not margins:
        return None
    value: float | None = getattr(margins[item], name)
    return value


def end_words(name: str) -> str:
    """Call a toleranced value what a person calls it in a sentence.

    Parameters
    ----------
    name : str
        Such as ``Co.capacitance``, ``compensation.R1``, ``sense_gain``.

    Returns
    -------
    str
        Such as ``Co``, ``R1``, ``sense gain``; a capacitor or an inductor stands for its main value.
    """
    plain = name.removeprefix("compensation.")
    for main in (".capacitance", ".inductance"):
        if not plain.startswith("clamp."):  # it has a resistor as well
            plain = plain.removesuffix(main)
    return plain.replace(".", " ").replace("_", " ")


def with_ends(ends: Mapping[str, float], leading: tuple[str, ...] | None = None) -> str:
    """Say which ends of tolerance make a reading, such as " with Co -20 %, gm +20 %".

    Parameters
    ----------
    ends : mapping of str to float
        Relative changes [unitless].
    leading : tuple of str, optional
        Which to name, in order; all unless given.

    Returns
    -------
    str
        Begins with a blank; nothing at nominal parts. Of many ends the first are named.
    """
    named = [name for name in (ends if leading is None else leading) if ends.get(name)]
    moved = [f"{end_words(name)} {100.0 * ends[name]:+.3g} %" for name in named]
    if len(moved) > TOLD + 1:
        moved = [*moved[:TOLD], f"{len(moved) - TOLD} more"]
    return f" with {', '.join(moved)}" if moved else ""


def reading_place(reading: WorstReading, *, temperature: bool = True) -> str:
    """Name where a worst reading occurs, such as "30 V, 1.2 A, 85 degC with Co -20 %".

    Parameters
    ----------
    reading : WorstReading
        The reading.
    temperature : bool
        Whether to name the temperature [unitless].

    Returns
    -------
    str
        Corner and ends.
    """
    heat = f", {reading.temperature:.3g} degC" if temperature else ""
    return (
        f"{reading.input_voltage:.4g} V, {reading.load_current:.3g} A{heat}{with_ends(reading.ends, reading.leading)}"
    )
