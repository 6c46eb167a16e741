"""Makes what the other rooms' tests are made of importable here."""

import sys
from pathlib import Path

TESTS = Path(__file__).parents[1]
ROOMS = ("causes/further", "wrong", "wrong/nodes", "firmware", "sketch", "scripts", "session")
sys.path[:0] = [str(TESTS), *(str(TESTS / room) for room in ROOMS)]
