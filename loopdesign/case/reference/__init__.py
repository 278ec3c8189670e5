"""What every key of the case file means, takes and defaults to: for the README and for editors.

`meanings`  one sentence for each key
`rows`      tables of keys with unit, default and meaning, read off the models

``python -m loopdesign.case.reference README.md`` writes the tables into the README, between two marks.
"""

from loopdesign.case.reference.rows import KeyRow, key_rows, meaning_of, reference, reference_markdown

BEGIN, END = (
    "<!-- reference of the case file, written by python -m loopdesign.case.reference README.md -->",
    "<!-- end -->",
)
"""Marks of the README between which the reference stands."""

__all__ = ["BEGIN", "END", "KeyRow", "key_rows", "meaning_of", "reference", "reference_markdown"]
