"""A vehicle in real time: driven by hand, open to other processes and to real nodes.

driven.py       a vehicle on real time, recorded as a scenario in the making
view.py         what it looks like at an instant, and which rules are broken just then
service.py      its threads, those who watch it, and what they may ask of it
server.py       its web server: who is let in, and how much each may use up
page/           its page, with drawing.py for the car from above
console.py      the same on a terminal
endpoints.py    where a program or an adapter meets the bus
serial_line.py  a program over a pseudo-terminal, as if an adapter were at its other end
opened.py       a live session with its bus opened
real_node.py    a real node: what can be done to it and said of it, and faults that need hands

Threads
-------

``clock/pace.py`` runs the queue up to what the wall clock shows, in one thread. Whatever comes
from another thread gets a virtual instant of its own (``Pacer.enter``) and acts before all else
that is due then, just as a stimulus of a scenario does. So ``driven.py`` need only note
instants, and the session is a scenario: ``tests/live/test_live_session.py`` holds the two
recordings against each other. Lateness is the real time from when something was due until all
that was due with it had run.

    session thread   driven.py runs; view.py makes a state 25 times a second
    judge thread     view.py judges a copy of the recording, resting four times as long
    server           server.py hands the newest state to each client, and commands to the session

Nothing of a live recording is looked at while it grows, but in its own thread, between two
events. The judge looks at the last 5 s again and again: what is broken at its last instant is
broken now. Its work grows with the session, so after an hour it says something every ten seconds
or less often; a saved session is judged whole. A rule that a fault switches off for a whole run
(*end to end*, with a fault on an input) may have been broken before that fault came, and is not
exercised in the saved session. A recording of two million frames is full. ``driven.py`` keeps
the garbage collector from stopping the session.

A client gets whole states, never differences, and at most three that it has not said it has
seen: a slow one gets fewer, not old ones. ``server.py`` says who is let in and how much each may
use up, ``service.py`` what may be asked for; ``tests/live/test_live_server.py`` attacks both.
The page is one template and two plain scripts over the sheet of the reports. What a state holds
stands in ``view.py``: the terminal shows the same.

``LINKLOSS_LIVE_SECONDS=60 python -m pytest -s tests/perf/test_live_load.py`` measures lateness,
pictures per second and processor share at 500 kbit/s, 60 % busy, with ten clients.

Outside of the bench
--------------------

A program in another process, or a real node behind an adapter, has a controller on the bus
(``session/logged.py``): the program at the far end of the cable, the node at its own place. An
``Endpoint`` speaks for it in a thread that reads, and enters each frame it hears into the live
session, as a switch that is flipped is entered. ``recording.outside`` notes these events with
their instants; with ``scenario.outside.events`` a session does the same on virtual time, and
``tests/live/test_opened.py`` holds the two recordings against each other. A new kind of endpoint
is a subclass with ``connect``, ``read``, ``deliver``, and a word in ``opened.py``. Limits: a
frame comes late by the way to the bench and by up to a turn of the pacer (1 ms on an idle
machine); a program has 64 mailboxes, first in, first out, what does not fit is refused and
counted; its controller leaves bus-off by itself.

A real node counts as logged; ``judge/reported.py`` judges what it reports.
``tests/live/test_real_node_properties.py``: a node that obeys is never called broken.
"""
