"""Words in another letter case are read; another word for a key or a choice is answered by the right one."""

from __future__ import annotations

import pytest
from wholecase import SEPIC, change

from loopdesign.case import STAGES, parse_case, write_parts
from loopdesign.case.kinds import CHOICES, SECTIONS, choices_of, models_of
from loopdesign.case.words import _CHOICES, _KEYS, choice_meant, key_hint, spelled


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('"sepic"', '"SEPIC"'), ('"sepic"', '" Sepic "'), ('"diode"', '"Diode"'), ('"resistive"', '"Resistive"'),
        ('"peak current"', '"Peak Current"'), ('"transconductance"', '"Transconductance"'), ('"type II"', '"Type ii"'),
        ('"E96"', '"e96"'), ('"auto"', '"AUTO"'), ('"15 V"', '"15 Vdc"'), ('"33 uH"', '"33 uh"'),
    ],
)  # fmt: skip
def test_another_letter_case_is_read(old, new):
    assert parse_case(change(SEPIC, (old, new)), "s.toml") == parse_case(SEPIC, "s.toml")


def test_parts_are_written_into_a_file_in_capitals():
    text = write_parts(SEPIC.replace('"sepic"', '"SEPIC"'), {"R1": 15e3, "stage.damper.resistance": 3.3})
    assert '"SEPIC"' in text
    assert parse_case(text, "s.toml").stage.damper.resistance == 3.3


def test_what_is_no_word_of_a_list_is_left_alone():
    document = {"title": "SEPIC", "converter": {"topology": "sepik", "switching_frequency": "330 kHz"}, "stage": 3}
    assert spelled(document) is document


@pytest.mark.parametrize(
    ("key", "known", "meant"),
    [
        ("dcr", {"inductance", "resistance"}, "did you mean resistance?"),
        ("RDS_ON", {"resistance"}, "did you mean resistance?"),
        ("rds-on", {"resistance"}, "did you mean resistance?"),
        ("type", {"kind", "reference"}, "did you mean kind?"),
        ("vin", {"input_voltage"}, "did you mean input_voltage?"),
        ("vin", {"resistance"}, ""),
        ("colour", {"lower", "upper"}, ""),
        ("turns_ratio", {"turns"}, "did you mean turns? it is secondary over primary"),
    ],
)
def test_key_by_another_word(key, known, meant):
    assert key_hint(key, known) == meant


def test_every_key_and_choice_that_is_hinted_exists():
    keys, choices = set(SECTIONS), set(STAGES)
    fields = [field for section in SECTIONS for model in models_of(section) for field in model.model_fields.items()]
    for section in SECTIONS:
        for model in models_of(section):
            keys |= {field.alias or name for name, field in model.model_fields.items()}
    for _, field in fields:
        choices |= set(choices_of(field))
    choices |= {word for _, _, models in CHOICES.values() for word in models}
    inner = {"inductance", "capacitance", "resistance", "esr", "drop", "tolerance", "temperature_coefficient",
             "bias_curve", "current_curve", "count", "nominal", "min", "max", "from", "to"}  # fmt: skip
    assert set(_KEYS) <= keys | inner
    assert set(_CHOICES) <= choices


def test_choice_by_another_word():
    assert choice_meant("Buck-Boost", tuple(STAGES)) == ["inverting"]
    assert choice_meant("LED", ("resistive", "current", "power", "voltage")) == ["voltage"]
    assert choice_meant("sepik", tuple(STAGES)) == []
