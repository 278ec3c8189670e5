"""The case file as frozen, validated tables; everything in SI units."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydantic import Field

from loopdesign.case.fields import Section
from loopdesign.case.tables.control import (
    Compensation,
    CurrentSense,
    DividerSection,
    ErrorAmplifierSection,
    ModulatorSection,
)
from loopdesign.case.tables.demands import ConverterSection, Document, Ratings, Specification, Targets
from loopdesign.case.tables.stage import InputFilter, OutputFilter, StageSection

if TYPE_CHECKING:
    from pydantic import BaseModel

PLAIN_SECTIONS: dict[str, type[BaseModel]] = {
    "converter": ConverterSection,
    "input_filter": InputFilter,
    "output_filter": OutputFilter,
    "divider": DividerSection,
    "current_sense": CurrentSense,
    "compensation": Compensation,
    "targets": Targets,
    "ratings": Ratings,
    "document": Document,
}
"""Sections that are of one kind whatever the rest of the file says."""


class Case(Section):
    """A whole case file.

    `source` is the name of the file and `warnings` holds what is allowed yet worth telling; the file sets neither.
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
    document: Document = Field(default_factory=Document)
    source: str = ""
    warnings: tuple[str, ...] = ()

    @property
    def nominal_temperature(self) -> float:
        """Temperature of the parts at the nominal corner [degC]."""
        temperature = self.specification.temperature
        return 25.0 if temperature is None else temperature.nominal
