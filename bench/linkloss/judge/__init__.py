"""From a recording to verdicts with margins, by what accounts for each change of a load.

The judge never looks at a program. It knows what was delivered to every controller, and what
every input and output did.

Once per run ``case.py`` derives what several rules need: when each node was up (``uptimes.py``),
which messages were good at which node (``evidence.py``), the quiet times between faults. It also
holds the times in which a link and a node must be back, and when a program cannot do its work.
``evidence.py`` gathers what the frames of a recording tell, in steps if need be: cases with a
common beginning read it once. ``judging.py`` calls all rules and finds what no rule speaks of.

Loads
-----

``news.py`` works out the *sources* of a load: all that can call for a state of it (its request,
its local input, the resets of its node, each *never*, trip and limit), and the *news* that each
of them sends: what it calls for, from when on a node may act on it, and by when it must. News
that a node may miss or refuse is optional (``must=False``); ``requested.py`` makes that of
messages. ``tries.py`` says what the load shows (means of a fast switching, fades), ``states.py``
which state goes with what is shown.

``walk.py`` follows a load through the run with the set of all *positions* (the last news noted
of each source) that explain what it has shown so far:

    news begins       positions that note it, with the state shown, are added
    the load changes  only positions with the new state stay, reached by news that is open now;
                      none: the change is unpaid, and *steady*, or the rule of the news that comes
                      next or began last, is broken
    news is due       positions that have not noted it go; none left: its rule is broken until
                      the right state is shown

Where a receiver may see something either way for good (a counter that has jumped with
``after_jump = "either"``, a latch where the link may have been lost), what the walk calls right
must be right for one ``Receiver``: ``loads.py`` walks them one by one.

A rule's name says which news was missed. It was *exercised* where a load that had stayed as it
was would have been broken: the walk tries that at every news. ``loads.py`` makes verdicts of it,
and ``flashing.py`` judges the pattern where nothing but flashing is right. ``control.py`` walks
the requests of the control nodes likewise, and finds how long a frame's content waited in a
mailbox. ``end_to_end.py`` and ``notice.py`` have more that may be right at once, and judge by
what is allowed at an instant. ``intent.py`` works out what the inputs ask for.

``tries.py`` is a source and a rule: ``recording.trips`` says when a protected switch reports a
trip. Behind one the node may switch the load off, and has to try again (the walk's part); how
often it was tried in a row and how soon is counted beside the walk, for an output that is
switched off and on at one instant changes nothing that a walk could see. Only a node that came
to its limit has *kept* it.

Each failed load has its own verdict *notice*; a notice that another load may have caused proves
nothing for it. The notice's own verdict covers what was shown without cause, or for too long.

What a load gets
----------------

Beside the walk stand the rules on what a load *gets*: ``load_rules.py`` (*never*: how soon it
leaves a forbidden state; that a state is taken away and given back is news in the walk; *dark*,
*back*, *in step*) and ``supply_rules.py`` (*fed*, *neighbours*).

Rules on states look at the command, so voltage and contacts do not matter to them. While a
node's supply is out of its range (``Case.undersupplied``) its news stays open, until one latency
after; such a time is no quiet time, so *rejoin* counts from its end. An uptime that a loss of
supply began runs from the loss, its boot from when the supply is back. *Never*, *dark* and
*back* look at what the load got; while hardware behind the node is at fault, at what its node
drove (``Case.actual``). Such an excuse ends with the repair and the contact's time; behind a
solid-state switch that has latched, when its node has switched it off. A pulse that is too short
for a relay breaks *steady*, though the load never saw it; real relays may be faster than their
declared ``closes_in``.

Nodes and messages
------------------

``node_rules.py`` judges nodes, asleep and awake. To all other rules falling asleep begins an
uptime, in which the node boots once it wakes. The rules of messages, and of nodes as their
senders, look at what programs handed to their controllers (``recording.handed``,
``recording.foreign``), never at what a fault made of it: ``message_rules.py`` (*cycle*,
*foreign*) and ``sensor_rules.py`` (*sensor*, *quiet recovery*), which also names and calls them.

``reported.py`` makes another vehicle of the loads of a real node that are ``reported``, with
longer deadlines, and another recording of the reports, and lets the same judge look at those. It
leaves out what samples cannot tell (flash, never, darkness, resets, end to end), loads with a
local input, everything before the node has followed once, and every load whose reports had a
gap.

A verdict is data: what was observed, what was allowed, since when, and a ``Cause``.
``verdict.py`` has the list of causes, and beside each the words for it; nothing else makes or
reads its sentences.
"""

from linkloss.judge.judging import Unjudged, declared_rules, judge, unjudged
from linkloss.judge.verdict import Outcome, Verdict, worst

__all__ = ["Outcome", "Unjudged", "Verdict", "declared_rules", "judge", "unjudged", "worst"]
