"""A vehicle in real time: driven by hand, open to other processes and to real nodes.

driven.py       a vehicle in real time, recorded so that it can be replayed as a scenario
growth.py       what its recording has gained, and how a copy keeps up
room.py         how full its recording is
view.py         its state at an instant
tally.py        what is shown of the bus: load, last frames, the last ten seconds
window.py       the last part of a recording, which is all that a look of the judge reads
standing.py     which rules are broken at that time, which were before, and what each load may do
judge_process.py  its judge, in a process of its own
service.py      its threads, its watchers, and the commands they may give
server.py       its web server: who is let in, and the limits for each client
address.py      the secret part of its page's address
page/           its page
console.py      the same on a terminal
endpoints.py    where a program or an adapter connects to the bus
serial_line.py  a program on a pseudo-terminal that behaves like an adapter
opened.py       a live session whose bus is open to others
real_node.py    a real node: which faults it can be given, what can be judged, faults done by hand

Threads
-------

``clock/pace.py`` runs the event queue up to the wall clock, in one thread. Whatever comes from
another thread gets its own virtual instant (``Pacer.enter``) and acts before everything else due at
that instant, as a stimulus of a scenario does. So ``driven.py`` only has to record instants, and
the session is a scenario: ``tests/live/test_live_session.py`` compares the two recordings. Lateness
is the real time from when something was due until everything due with it has run.

    session thread   runs driven.py; view.py makes a state 25 times a second
    judge thread     passes what is new in the recording to the judge's process, then rests
    judge process    standing.py judges a copy of the recording; judge_process.py a saved session
    server           server.py passes the newest state to each client, and commands to the session

A live recording is read only in its own thread, between two events. The judge repeatedly looks at
the last 5 s: a rule that is broken at their end is broken now. It reads the last 18 to 26 s of the
recording, and of what was before only what still says how things stand (``window.py``), so a look
costs the same after an hour. How far each load had followed its news is carried over from look to
look; where the rest does not agree with it, that load is followed from the beginning. Bands are
those of a judge of the whole session (``tests/live/test_window.py``); a state that comes late says
how old they are. A saved session is judged as a whole, meanwhile the session and
its page go on; each state tells how far that is, and then what the judge says. A rule that a fault
switches off for a whole run (*end to end*, with a fault on an input) may be broken live before that
fault comes, and yet is not exercised in the saved session. A recording that takes 1.2 GB is full:
states tell how full it is. Equal failed attempts in a row take no more than one of them
(``bus/record_list.py``), so that Wren with a cut cable fills it in four hours, as without a fault.
``driven.py`` keeps the garbage collector from pausing the session.

A client gets whole states, never differences, and at most three that it has not acknowledged: a
slow client gets fewer states, not old ones. ``server.py`` decides who is let in and limits each
client, ``service.py`` defines the commands; ``tests/live/test_live_server.py`` attacks both. The
page is one template and two plain scripts with the style sheet of the reports. ``view.py`` defines
what a state holds; the terminal shows the same.

``LINKLOSS_LIVE_SECONDS=60 python -m pytest -s tests/perf/test_live_load.py`` measures lateness,
states per second and processor share at 500 kbit/s and 60 % load, with ten clients.

Outside of the bench
--------------------

A program in another process, or a real node behind an adapter, has a controller on the bus
(``session/logged.py``): a program at the far end of the cable, a node at its own place. An
``Endpoint`` stands for it: its thread reads, and enters each frame that it hears into the live
session, in the same way as the flip of a switch. ``recording.outside`` records these events with
their instants. With ``scenario.outside.events`` a session repeats them in virtual time, and
``tests/live/test_opened.py`` compares the two recordings. A new kind of endpoint is a subclass with
``connect``, ``read`` and ``deliver``, and a word in ``opened.py``. Limits: a frame is late by its
way to the bench and by up to one turn of the pacer (1 ms on an idle machine). A program has 64
mailboxes, first in, first out; a frame that does not fit is refused and counted. Its controller
recovers from bus-off by itself.

A real node counts as logged; ``judge/reported.py`` judges what it reports.
``tests/live/test_real_node_properties.py`` checks that a node which keeps its rules is never called
broken.
"""
