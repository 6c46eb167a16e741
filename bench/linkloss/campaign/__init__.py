"""Which cases a check runs, running them, and shrinking what broke.

A check
-------

plan.py       the cases of the full depth
asked.py      what the inputs ask of the loads, and how to ask for each both ways
cases.py      builds and names a case; in the last one of each fault all that it touched is asked
              for again (``again`` in its name) and local inputs move (``moved``)
rotation.py   gives out what rotates: side of the action, eighth of the period, counter value,
              clocks, drift; each by a running number within the kind of fault at its message or
              node, so that one more fault moves no case of another
placed.py     cases in the bits of one frame with news, and around supply and outputs
pairs.py      the cases of two faults
depth.py      chooses among all of them, by what a case can show
hunt.py       draws cases batch by batch, guided by what reach.py says was reached
selection.py  which cases a check wants; makes them again in any process, or from a name alone
check.py      hands them out
workers.py    runs them
isolation.py  keeps each away from the bench, and runs a long common beginning only once
run.py        runs and judges one scenario
store.py      keeps the results on disk
result.py     counts them

``tests/campaign/test_rotation.py`` holds the demo car to 4,500 cases, 25,000 simulated seconds,
and nothing that the rotation has not met. ``tests/wrong/test_wrong_later.py`` has the mistakes
that these cases are for. Electrical faults are planned behind all others, each alone: pairs and
hunts leave them out. Faults of the wiring have turns of their own, so that they move no other
case.

Shrinking
---------

stories.py    chooses which findings to shrink, in processes of their own, and finds out which of
              them have one cause
shrink.py     takes a case that breaks a rule to the shortest scenario that does
shorter.py    what shorter means, the candidates, and the weaker relative of a fault
"""
