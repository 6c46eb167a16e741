"""The list of contents of ISO 16845-1:2016, the conformance test plan for CAN controllers, as far
as it was found, and which of its entries have no test here.

The titles are those of a bookshop's public preview of the contents; what was found of it breaks off
in 7.2.10, so the later sections (7.3 and on, 8, 9) are not listed. The text of the plan was not
read: what a test expects has its own source, given with the test.
"""

from __future__ import annotations

import re
from pathlib import Path

TITLES = {
    "7.1.1": "Identifier and number of data test in base format",
    "7.1.2": "Identifier and number of data test in extended format",
    "7.1.3": "Reception after arbitration lost",
    "7.1.4": "Acceptance of non-nominal bit in base format frame",
    "7.1.5": "Acceptance of non-nominal bit in extended format frame",
    "7.1.6": "Protocol exception behaviour on non-nominal bit",
    "7.1.7": "Minimum time for bus idle after protocol exception handling",
    "7.1.8": "DLC greater than 8",
    "7.1.9": "Absent bus idle - Valid frame reception",
    "7.1.10": "Stuff acceptance test in base format frame",
    "7.1.11": "Stuff acceptance test in extended format frame",
    "7.1.12": "Message validation",
    "7.2.1": "Bit error in data frame",
    "7.2.2": "Stuff error for basic frame",
    "7.2.3": "Stuff error for extended frame",
    "7.2.4": "Stuff error for FD frame payload bytes",
    "7.2.5": "CRC error",
    "7.2.6": "Combination of CRC error and form error",
    "7.2.7": "Form error in data frame at CRC delimiter bit position",
    "7.2.8": "Form error at fixed stuff bit in FD frames",
    "7.2.9": "Form error in data frame at ACK delimiter bit position",
}

_EXCEPTION = "outside the model: the bench has no protocol exception behaviour"

NOT_BUILT = {"7.1.6": _EXCEPTION, "7.1.7": _EXCEPTION}
"""Named, not built: number and reason."""


def numbers_in(path: Path) -> list[str]:
    """The numbers with which the names of the tests in a file begin."""
    names = re.findall(r"^def test((?:_\d+){3})_[a-z]", path.read_text(), re.MULTILINE)
    return [name[1:].replace("_", ".") for name in names]
