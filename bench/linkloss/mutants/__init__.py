"""A score for a check: how many small mistakes in a program it catches.

plant.py     the mistakes that can be planted, by the syntax tree of a source
chosen.py    into which lines
subject.py   the program of a node, and what other texts of its sources make of it
probe.py     which lines of it run
baseline.py  the check of the program as it is: what each case gives, and which lines it runs
trial.py     one mutant, run until a rule breaks; or why none does
score.py     the whole of it: draws mutants, leaves out what makes no program of its own, runs them
kept.py      keeps what is known of mutants, by content

A mutant runs on the cases that reach its change, in the order in which a check runs them. That
leaves nothing out: where a changed line does not run, a deterministic bench gives the same bytes.

Simplified: a mutant has one mistake. The sources are those that the vehicle file names, and no
header or module beside them. A cluster cannot run mutants: a program that never ends or crashes
would take its worker with it, and only a fork keeps it apart.
"""
