"""Write the reference of the case file into a README: ``python -m loopdesign.case.reference README.md``."""

import sys
from pathlib import Path

from loopdesign.case.reference import BEGIN, END, reference_markdown

if __name__ == "__main__":
    page = Path(sys.argv[1])
    head, _, rest = page.read_text(encoding="utf-8").partition(BEGIN)
    page.write_text(f"{head}{BEGIN}\n\n{reference_markdown()}\n{END}{rest.partition(END)[2]}", encoding="utf-8")
