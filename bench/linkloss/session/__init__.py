"""A vehicle on a clock and a bus: built, run through a scenario, recorded.

session.py    builds it, runs it, records it
host.py       a node: power-up, boot, program, reset, hang, crash
board.py      the board that one run of a program sees
electrics.py  the circuit: how nodes act on it, and its voltages on the nodes
logged.py     those on the bus without a program: nodes from a log, outsiders

At each instant the circuit is solved once, after everything else (``Priority.CIRCUIT``).
``recording.outputs`` is what a load got: the share of time that it is fed, 0 where its terminals
have less than ``works_from`` (and not again below 1.1 times that). ``driven`` is what it would have
got with nothing wrong behind its node. ``volts`` and ``amps`` are recorded where they change by
enough, ``trips`` is what a protected switch reports, and ``fuses`` has the fuses that a current
opened, without those that a fault removed.

For ``off``, ``NodeChange.by`` is what took the supply (``Power.taken_by``). ``fault``: a fault of
the supply is active anywhere, or was within ``AFTERMATH_NS``, or the fuse of the node's feed opened
under one. ``start``: the starter motor is on and ``may_reset`` names the node. Otherwise ``car``. A
fault of the bus or of a program never counts. Without a brown-out detector a processor between
``least`` and ``brown_out`` runs wild (``NodeHost.run_wild``): its program hangs, and a random
choice, seeded by run, node and instant, decides what each output does.
"""

from linkloss.session.session import Session, ready, simulate

__all__ = ["Session", "ready", "simulate"]
