"""Virtual time: one event queue that orders everything, and an asyncio loop over it."""

from linkloss.clock.loop import DeadlockError, VirtualLoop
from linkloss.clock.queue import NS_PER_S, Event, EventQueue, OwnClock, Priority

__all__ = [
    "NS_PER_S", "DeadlockError", "Event", "EventQueue", "OwnClock", "Priority", "VirtualLoop",
]  # fmt: skip
