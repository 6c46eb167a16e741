"""From a recording to verdicts with margins: what accounts for each change of a load.

The judge never looks at a program. It knows what was delivered to every controller, and what every
input and output did.

Once per run ``case.py`` derives what several rules need: when each node was up (``uptimes.py``),
which messages were good at which node (``evidence.py``), the quiet times between faults, when a
link and a node must be back, and when a program cannot do its work. ``evidence.py`` reads the
frames of a recording in steps if need be, so that cases with a common beginning read it once.
``judging.py`` calls all rules and lists what no rule covers.

Loads
-----

``news.py`` works out the *sources* of a load: everything that can call for a state of it (its
request, its local input, the resets of its node, each *never*, trip and limit). It also works out
the *news* that each source sends: what an item calls for, from when a node may act on it, and by
when it must. News that a node may miss or refuse is optional (``must=False``). ``requested.py``
makes the news of messages. ``tries.py`` tells what the load shows (means of fast switching, fades),
``states.py`` which state goes with what is shown.

``walk.py`` follows a load through the run with the set of all *positions* (the last news noted of
each source) that explain what it has shown so far:

    news begins       positions that note it, with the state shown, are added
    the load changes  only positions with the new state stay, reached by news that is open now;
                      none: the change is unpaid, and *steady*, or the rule of the news that comes
                      next or began last, is broken
    news is due       positions that have not noted it go; none left: its rule is broken until
                      the right state is shown

Some things a receiver may see either way from then on: a counter that jumped, with ``after_jump =
"either"``, or a latch where the link may have been lost. What the walk finds right must then be
right for one ``Receiver``; ``loads.py`` walks them one by one.

A rule's name says which news was missed. A rule was *exercised* where a load that had stayed as it
was would have broken it: the walk tests that at every item of news. ``loads.py`` makes verdicts of
the results, and ``flashing.py`` judges the pattern where only flashing is right. ``control.py``
walks the requests of the control nodes in the same way, and finds how long a frame's content waited
in a mailbox. ``route_rules.py`` compares what a gateway hands over with what it received. For
``end_to_end.py`` and ``notice.py`` more may be right at one time, so they judge by what is allowed
at an instant. ``intent.py`` works out what the inputs ask for.

``tries.py`` is a source and a rule: ``recording.trips`` says when a protected switch reports a
trip. After a trip the node may switch the load off and has to try again, which is the walk's part.
How often it tried in a row, and how soon, is counted beside the walk, because an output that is
switched off and on at one instant changes nothing that a walk could see. Only a node that reached
its limit has *kept* it.

Each failed load has its own verdict *notice*; a notice that another load may have caused proves
nothing for it. The notice's own verdict covers what was shown without cause, or for too long.

What a load gets
----------------

Some rules judge what a load *gets*: ``load_rules.py`` (*never*, *dark*, *back*, *in step*) and
``supply_rules.py`` (*fed*, *neighbours*). *Never* in ``load_rules.py`` judges how soon the load
leaves a forbidden state; that a state is taken away and given back is news in the walk.

Rules on states look at the command, so voltage and contacts do not matter to them. While a node's
supply is out of range (``Case.undersupplied``) its news stays open, until one latency after. Such a
time is not quiet, so *rejoin* counts from its end. An uptime that began with a loss of supply runs
from the loss, and its boot from the return of the supply. *Never*, *dark* and *back* look at what
the load got or, while hardware behind the node is at fault, at what its node drove
(``Case.actual``). Such an excuse ends with the repair and the contact's time; for a solid-state
switch that has latched, once its node has switched it off. A pulse too short for a relay breaks
*steady*, although the load never saw it; real relays may be faster than their declared
``closes_in``.

Nodes and messages
------------------

``node_rules.py`` judges nodes, asleep and awake. For all other rules falling asleep begins an
uptime, in which the node boots once it wakes. The rules of messages, and of nodes as their senders,
look at what programs handed to their controllers (``recording.handed``, ``recording.foreign``),
never at what a fault made of it: ``message_rules.py`` (*cycle*, *foreign*) and ``sensor_rules.py``
(*sensor*, *quiet recovery*), which also lists and calls them.

``reported.py`` judges the loads of a real node that are ``reported``: it gives the same judge a
vehicle with longer deadlines and a recording made of the reports. It leaves out what samples cannot
show (flash, never, darkness, resets, end to end), loads with a local input, everything before the
node has followed once, and every load whose reports had a gap.

``felt.py`` judges what an I/O board feels of a real node on the desk, on a recording that says when
things were at the node, with deadlines wider by what was measured.

A verdict is data: what was observed, what was allowed, since when, and a ``Cause``. ``verdict.py``
has the list of causes, each with its words; nothing else makes or reads these sentences.
"""

from linkloss.judge.judging import Unjudged, declared_rules, judge, unjudged
from linkloss.judge.verdict import Outcome, Verdict, worst

__all__ = ["Outcome", "Unjudged", "Verdict", "declared_rules", "judge", "unjudged", "worst"]
