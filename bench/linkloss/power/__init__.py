"""The electrical side of a vehicle: supply, leads, fuses, switches and loads as a circuit in time.

network.py    the interface to a session, and the circuit's course from event to event
circuit.py    Ohm's and Kirchhoff's laws at an instant
channel.py    one path from a node's supply through switch, fuse and lead to a load
consumers.py  loads; switches.py, fuses.py, leads.py, supply.py the other parts

This room is pure physics: it knows no vehicle file, no program and no clock. Seen from its
terminals, the current of a load at any instant is a piecewise linear function of its voltage and
never falls as the voltage rises. So the circuit has one solution, and Newton's method with a line
search finds it. Between two events node voltages stay as they were solved, and each load, fuse and
switch moves on by its own law, exactly where there is a formula. The next event is the earliest
that any of them asks for: there is no time step. While a source ramps, the solution also says by
how much each point follows it, and so when a node crosses a threshold, to about a microsecond.

What the model leaves out: inductance (the kick of a coil, the ripple of a dimmed lamp: currents are
means over its period), input capacitors, arcs, the heating of leads in a run (their copper has the
temperature given in the file), temperature of the battery and its state of charge, changing contact
resistance. A profile replaces battery and alternator as a stiff source, and ends at once when its
fault clears. Voltage does not disturb CAN levels, only fuses are destroyed, and a dim lamp counts
as on. An LED never glows from leakage current. A starter motor turns against a constant torque, not
compression strokes; the ripple of a starting profile includes those. Loads on one fuse share only
the fuse. Sources and doubts stand next to each table: ``looked up``, ``from memory``, ``common
practice``.

A new kind of load is a class with ``line``, ``knees``, ``advance`` and ``next_s``, its name in
``LoadKind``, a case in ``make_load``, and a test that compares it with a formula. A new profile is
a function in ``supply.py`` and its name in ``PROFILES``.
"""
