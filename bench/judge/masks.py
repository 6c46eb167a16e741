"""Sets of load states as bits: what is allowed at an instant is one small number."""

from __future__ import annotations

from bench.model.vehicle import State

OFF, ON, FLASH = 1, 2, 4
ANY = OFF | ON | FLASH

_BITS: dict[State, int] = {"off": OFF, "on": ON, "flash": FLASH}


def bit(state: State) -> int:
    """The set that holds one state."""
    return _BITS[state]


def level_bit(level: float) -> int:
    """The state that an output's level shows at one instant."""
    return ON if level > 0 else OFF


def admits(mask: int, level: float) -> bool:
    """Whether a level may be seen at an instant: a flashing load is lit and dark in turn."""
    return bool(mask & (level_bit(level) | FLASH))


def names(mask: int) -> str:
    """The states of a set in words: ``on``, ``off or flash``."""
    return " or ".join(state for state, value in _BITS.items() if mask & value) or "nothing"
