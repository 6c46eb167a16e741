"""Makes what the other rooms' tests are made of importable here."""

import sys
from pathlib import Path

TESTS = Path(__file__).parents[1]
ROOMS = (
    "causes", "causes/further", "causes/unseen", "wrong", "wrong/nodes", "firmware", "sketch",
    "scripts", "session",
)  # fmt: skip
sys.path[:0] = [str(TESTS), *(str(TESTS / room) for room in ROOMS)]
