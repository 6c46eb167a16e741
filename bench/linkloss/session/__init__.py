"""A vehicle on a clock and a bus: built, run through a scenario, recorded.

session.py    builds it, runs it, records it
host.py       a node's life: power-up, boot, program, reset, hang, crash
board.py      the board that one life of a program sees
electrics.py  the circuit: what it makes of what nodes switch, and its voltages of the nodes
logged.py     those on the bus without a program: nodes out of a log, outsiders

At each instant the circuit is solved once, behind everything else (``Priority.CIRCUIT``).
``recording.outputs`` is what a load got: the share of time it is fed, 0 where its terminals have
less than ``works_from`` (and not again below 1.1 times that). ``driven`` is what it would have
got had nothing been wrong behind its node. ``volts`` and ``amps`` are noted where they change by
something, ``trips`` is what a protected switch reports, ``fuses`` has the fuses that a current
opened and not those that a fault took out.

``NodeChange.by`` says of ``off`` what took the supply (``Power.taken_by``). ``fault``: a fault
of the supply is there, wherever it is, or was within ``AFTERMATH_NS``, or the fuse of the node's
feed opened under one. ``start``: the starter motor is on and ``may_reset`` names the node.
Otherwise ``car``. A fault of the bus or of a program never counts. Without a brown-out detector
a processor between ``least`` and ``brown_out`` runs wild (``NodeHost.run_wild``): its program
hangs, and chance, seeded by run, node and instant, decides what each output does.
"""

from linkloss.session.session import Session, simulate

__all__ = ["Session", "simulate"]
