"""The catalogue of faults: one class in one file for each, found by looking into this folder.

base.py       what every fault is
rig.py        what a fault may take hold of
catalogue.py  all faults by name, and making one from what a user writes
recording.py    what the faults of single messages share
leads.py      what the faults of inputs share
intruder.py   a controller that does not belong to the vehicle

All other files hold one fault each.
"""
