"""The case file: model, units, validation, errors with line and key."""
from loopdesign.case.load import load_case, parse_case
