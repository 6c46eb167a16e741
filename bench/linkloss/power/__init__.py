"""The electrical side of a vehicle: supply, leads, fuses, switches and loads as a circuit in time.

network.py    the face that a session holds, and the parts from event to event
circuit.py    Ohm's and Kirchhoff's laws at an instant
channel.py    one way from a node's supply by switch, fuse and lead to a load
consumers.py  loads; switches.py, fuses.py, leads.py, supply.py the other parts

It is pure physics, and knows no vehicle file, no program and no clock. Seen from its terminals a
load is at any instant a straight line between a few knees, and no current falls with its
voltage; so the circuit has one solution, and Newton's method with a search along the way ends
there. Between two events node voltages stay as they were solved, and each load, fuse and switch
moves on by its own law, exactly where there is a formula. The next event is the earliest of what
they ask for: there is no time step. A sloping source tells by how much each point follows it,
and so when it takes a node over a threshold, to about a microsecond.

What the model does not know: inductance (the kick of a coil, the ripple of a dimmed lamp:
currents are means over its period), input capacitors, arcs, the heating of leads in a run (their
copper has the temperature that the file says), temperature of the battery and its state of
charge, contact resistance that changes. A profile stands in place of battery and alternator as a
stiff source, and ends at once when its fault clears. Voltage disturbs no CAN levels, nothing but
a fuse is destroyed, and a lamp that is dim is on. An LED never glows by leakage. A starter motor
meets a constant torque, not compression strokes: the ripple of a starting profile has them.
Loads on one fuse meet only in it. Sources and doubts stand beside each table: ``looked up``,
``from memory``, ``common practice``.

A new kind of load is a class with ``line``, ``knees``, ``advance`` and ``next_s``, its name in
``LoadKind``, a case in ``make_load``, and a test that holds it against a formula. A new profile
is a function in ``supply.py`` and its name in ``PROFILES``.
"""
