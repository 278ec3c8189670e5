"""The case file as frozen, validated tables; everything in SI units."""

from __future__ import annotations

from typing import TYPE_CHECKING, Self

from pydantic import Field, PrivateAttr

from loopdesign.case.fields import Section
from loopdesign.case.locate import Places
from loopdesign.case.tables.candidates import Candidates
from loopdesign.case.tables.control import (
    Compensation,
    CurrentSense,
    DividerSection,
    ErrorAmplifierSection,
    ModulatorSection,
)
from loopdesign.case.tables.demands import ConverterSection, Document, Ratings, Specification, Targets
from loopdesign.case.tables.stage import InputFilter, OutputFilter, StageSection
from loopdesign.printable import printable

if TYPE_CHECKING:
    from pydantic import BaseModel

    from loopdesign.case.locate import Place

PLAIN_SECTIONS: dict[str, type[BaseModel]] = {
    "converter": ConverterSection,
    "input_filter": InputFilter,
    "output_filter": OutputFilter,
    "divider": DividerSection,
    "current_sense": CurrentSense,
    "compensation": Compensation,
    "targets": Targets,
    "ratings": Ratings,
    "candidates": Candidates,
    "document": Document,
}
"""Sections that are of one kind whatever the rest of the file says."""


class Case(Section):
    """A whole case file.

    `source` is the name of the file and `warnings` holds what is allowed but deserves a warning; the file sets neither.
    A case read from a file knows where each key stands there.

    Examples
    --------
    >>> import loopdesign as ld
    >>> case = ld.load_case("cases/tide_gauge_sepic_undamped.toml")
    >>> isinstance(case, ld.Case), case.title
    (True, 'Tide-gauge logger supply, damper left out')
    >>> case.compensation.parts
    {'R1': 4640.0, 'C1': 5.6e-08, 'C2': 1.8e-09}
    """

    title: str
    notes: str = ""
    converter: ConverterSection
    specification: Specification
    stage: StageSection
    input_filter: InputFilter | None = None
    output_filter: OutputFilter | None = None
    modulator: ModulatorSection
    error_amplifier: ErrorAmplifierSection | None = None
    divider: DividerSection | None = None
    current_sense: CurrentSense | None = None
    compensation: Compensation | None = None
    targets: Targets = Field(default_factory=Targets)
    ratings: Ratings = Field(default_factory=Ratings)
    candidates: Candidates | None = None
    document: Document = Field(default_factory=Document)
    source: str = ""
    warnings: tuple[str, ...] = ()
    _places: Places = PrivateAttr(default_factory=Places)

    def placed(self, places: Places) -> Self:
        """Return the case with the places of its keys.

        Parameters
        ----------
        places : Places
            Where each key stands in the file.

        Returns
        -------
        Case
            The same values.
        """
        case = self.model_copy()
        case._places = places  # noqa: SLF001  (its own)
        return case

    @property
    def places(self) -> Places:
        """Where each key stands in the file."""
        return self._places

    def place(self, key: str) -> Place | None:
        """Return the line and column of a key, or of the nearest table around it; None where the file has neither.

        Parameters
        ----------
        key : str
            Dotted key, such as ``stage.Co.esr``.

        Returns
        -------
        tuple of int, or None
            Line and column, both counted from 1.
        """
        return self._places[self._in_file(key)]

    def _in_file(self, key: str) -> str:
        """Turn the key of an element by its name into the key in the file."""
        section, _, rest = key.partition(".")
        name, dot, value = rest.partition(".")
        for table in ("elements", "outputs") if section == "stage" else ():
            for k, entry in enumerate(getattr(self.stage, table, ())):
                if entry.name == name:
                    return f"stage.{table}.{k}{dot}{value}"
        return key

    def where(self, key: str) -> str:
        """Name the place of a key for a message.

        Parameters
        ----------
        key : str
            Dotted key, such as ``stage.Co.esr``; it need not be in the file.

        Returns
        -------
        str
            ``file:line:column: key``, the place being that of the nearest table where the file has no such key.
        """
        place = self.place(key)
        name = printable(self.source)
        file = name if place is None else f"{name}:{place[0]}:{place[1]}"
        return f"{file}: {key}" if file else key

    @property
    def nominal_temperature(self) -> float:
        """Temperature of the parts at the nominal corner [degC]."""
        temperature = self.specification.temperature
        return 25.0 if temperature is None else temperature.nominal
