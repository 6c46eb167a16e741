"""Virtual time: one event queue that orders everything, an asyncio loop over it, and the wall
clock.

queue.py      the events, in order of time, priority and arrival; the clocks of the nodes
loop.py       an asyncio loop whose time jumps
pace.py       the queue run by the wall clock; what comes from other threads gets an instant
wallclock.py  the only door to the wall clock

A node's own clock (``OwnClock``) begins at ``Scenario.clocks`` and runs at 1 + ``Scenario.drifts``.
It governs what a program reads and how long it waits: ``Board.now_ns``, its timers and watchdog;
the periods and time stamps of a port; asyncio, where a session has such clocks
(``VirtualLoop.own_clock``); the tasks of a script; in C ``clock_ns`` and ``clock_ppb`` of
``machine.h``. Boot times, the bus, the circuit and all that is recorded stay in the bench's time. A
clock in C and ``time.monotonic`` of a script start where the scenario says at each start of the
program; ``Board.now_ns`` and ``time.time`` continue from the first power-up, as their documentation
says.
"""

from linkloss.clock.loop import DeadlockError, VirtualLoop
from linkloss.clock.queue import NS_PER_S, Event, EventQueue, OwnClock, Priority

__all__ = [
    "NS_PER_S", "DeadlockError", "Event", "EventQueue", "OwnClock", "Priority", "VirtualLoop",
]  # fmt: skip
