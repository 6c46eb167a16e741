"""Which cases a check runs, running them, and shrinking what broke.

A check
-------

plan.py       the cases of the full depth
asked.py      what the inputs ask of the loads, and how to ask for each both ways
cases.py      builds and names a case; in the last case of each fault everything that it touched is
              requested again (``again`` in its name) and local inputs move (``moved``)
rotation.py   gives out what rotates: side of the action, eighth of the period, counter value,
              clocks, drift; by a running number for each kind of fault at its message or node, so
              that one more fault changes no case of another
placed.py     cases in the bits of one frame that changes something, and around supply and outputs
pairs.py      the cases of two faults
depth.py      chooses among all of them, by what each case can show
hunt.py       draws cases batch by batch, guided by what reach.py says was reached
selection.py  which cases a check wants; builds them again in any process, or from a name alone
turns.py      in which order they run; the report has the order of the plan
check.py      hands the cases out; forecast.py says what it would hand out, and how long it takes
workers.py    runs them in processes
isolation.py  keeps cases apart from the bench; runs a long common beginning only once
run.py        runs and judges one scenario
store.py      keeps the results on disk
result.py     counts the results; untested.py says why a rule was not exercised

``tests/campaign/test_rotation.py`` limits the demo car to 4,500 cases and 25,000 simulated seconds,
and requires that every value that rotates occurs. ``tests/wrong/test_wrong_later.py`` has the
mistakes that these cases are for. Electrical faults are planned after all others, each alone: pairs
and hunts leave them out. Faults of the wiring have running numbers of their own, so that they
change no other case.

Shrinking
---------

stories.py    chooses which findings to shrink, and shrinks them in separate processes
shrink.py     reduces a case that breaks a rule to the shortest scenario that still does
shorter.py    what shorter means, the candidates, and weaker faults in place of a fault

Causes
------

diagnosis.py  why a rule broke: what the watched run shows, and what cures it when it is set right
causes.py     diagnoses what was found, and groups what one mistake broke

``tests/causes`` measures how often the first cause names what is wrong, against labels that were
written from the mistakes and not from the finder's answers.
"""
