"""The worst sample of a spread as a case file of its own: its values written in, its tolerances taken out."""

from __future__ import annotations

from collections.abc import MutableMapping, MutableSequence
from typing import TYPE_CHECKING, Any

import numpy as np

from loopdesign.case import Levels
from loopdesign.corners.converters import regulated_factor
from loopdesign.printable import printable
from loopdesign.units.quantities import exact_quantity

if TYPE_CHECKING:
    from collections.abc import Iterator

    from loopdesign.analysis.spread.sample import SpreadResult

SPREADING = {
    "tolerance", "esr_tolerance", "gm_tolerance", "reference_tolerance", "resistor_tolerance", "capacitor_tolerance",
    "sense_gain_tolerance", "slope_tolerance", "current_limit_tolerance", "transfer_ratio_min", "transfer_ratio_max",
    "lot",
}  # fmt: skip
UNITS = {
    "inductance": "H", "capacitance": "F", "resistance": "ohm", "esr": "ohm", "coupling": "", "gm": "S",
    "transfer_ratio": "", "reference": "V", "sense_gain": "V/A", "slope": "V/s", "current_limit": "V", "upper": "ohm",
    "lower": "ohm", "R1": "ohm", "R2": "ohm", "C1": "F", "C2": "F", "C3": "F",
}  # fmt: skip
HOMES = dict.fromkeys(("sense_gain", "slope", "current_limit"), "modulator") | {"coupling": "stage"}
"""Section of each factor whose name does not tell; any other single word is the error amplifier's."""


def worst_case_text(text: str, found: SpreadResult, sample: int | None = None, condition: int | None = None) -> str:
    """Write one sample into the text of its case file, comments kept.

    Parameters
    ----------
    text
        The case file that was sampled.
    found
        Samples.
    sample, condition
        Which; the worst unless given.

    Returns
    -------
    str
        A case file without tolerances whose one operating point is the sample's.
    """
    import tomlkit  # noqa: PLC0415  (only needed when a file is written)

    sample = found.worst_sample[0] if sample is None else sample
    condition = found.worst_sample[1] if condition is None else condition
    corners = found.sample_corners_of(np.array([sample]), condition)
    document: Any = tomlkit.parse(text.removeprefix("\ufeff"))
    _strip(document)
    specification = document["specification"]
    specification["input_voltage"] = [_written(float(corners.input_voltage[0]), "V")]
    specification["output_current"] = [_written(float(corners.load_current[0]), "A")]
    output = found.case.specification.output_voltage * float(regulated_factor(found.case, corners)[0])
    specification["output_voltage"] = _written(output, "V")
    if found.case.specification.temperature is not None:
        specification["temperature"] = [_written(float(corners.temperature[0]), "degC")]
    for path, value in _values(found, {k: float(v[0]) for k, v in corners.factors.items()}):
        _set(document, path, _written(value, UNITS[str(path[-1])]))
    document["title"] = printable(f"{found.case.title}: sample {sample} of seed {found.seed}")
    return tomlkit.dumps(document)


def _written(value: float, unit: str) -> str | float:
    return exact_quantity(value, unit) if unit else value


def _strip(node: Any) -> None:  # noqa: ANN401  (a node of a parsed file)
    """Take out every key that makes values spread."""
    if isinstance(node, MutableMapping):
        for key in [k for k in node if str(k) in SPREADING]:
            del node[key]
        for value in node.values():
            _strip(value)
    elif isinstance(node, MutableSequence):
        for value in node:
            _strip(value)


def _values(found: SpreadResult, factors: dict[str, float]) -> Iterator[tuple[tuple[str | int, ...], float]]:
    """Yield paths and values of everything that varies."""
    case = found.case
    if case.divider is not None and case.error_amplifier is not None:
        ratio = case.specification.output_voltage / case.error_amplifier.reference - 1.0
        upper = case.divider.upper if case.divider.upper is not None else case.divider.lower * ratio
        yield ("divider", "upper"), upper * factors.pop("divider.upper", 1.0)
    for key, factor in factors.items():
        path = _path(key)
        yield path, _nominal(found, path) * factor


def _path(key: str) -> tuple[str | int, ...]:
    """Find where a factor's value stands in the case file."""
    head, _, rest = key.partition(".")
    if head == "filter":
        part, _, value = rest.partition(".")
        return ("input_filter", "choke_leakage" if part == "leakage" else part, value)
    if head in {"compensation", "divider", "current_sense", "output_filter"}:
        return (head, *rest.split("."))
    if not rest:
        return (HOMES.get(head, "error_amplifier"), head)
    if head.startswith("Co"):
        return ("stage", "Co", int(head[2:]) - 1 if head[2:] else 0, rest)
    return ("stage", head, rest)


def _nominal(found: SpreadResult, path: tuple[str | int, ...]) -> float:
    node: Any = found.case
    for step in path:
        node = node[step] if isinstance(step, int) else getattr(node, step)
    return float(node.nominal if isinstance(node, Levels) else node)


def _set(document: Any, path: tuple[str | int, ...], value: str | float) -> None:  # noqa: ANN401  (a parsed file)
    node = document
    for step in path[:-1]:
        if isinstance(step, int) and isinstance(node, MutableMapping):
            continue  # a bank of one written as a single table
        node = node[step]
    node[path[-1]] = value
