"""The vehicle file: its tables and their checks, the DBC and the programs that it names.

tables.py       the tables of a vehicle file, and the profiles of controllers
load.py         those of loads and notices; load_checks.py what must agree with the rest
routes.py       what a gateway passes on; route_checks.py what must agree with the rest
electrical.py   the electrical ones; wiring.py makes the parts of the circuit from them
consistency.py  what must agree across tables and DBC, and demands that no node could meet
toml.py         TOML with the line of every mistake; rewrite.py writes values anew in a text
expression.py   conditions
messages.py     messages of the DBC, compiled
programs.py     programs, found and prepared
desk_wiring.py  a real node on the desk: how it is wired to the I/O board
unlisted.py     nodes without a table, whose messages come from a log
loading.py      from the file to a vehicle

A profile of a controller describes a kind of chip, never a product. A new one needs an entry in
``PROFILES``, a row in ``scenarios/README.md``, and a run of
``tests/wrong/test_wrong_controllers.py``.
"""
