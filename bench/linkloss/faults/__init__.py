"""The catalogue of faults: one class for each, found by looking into this folder.

base.py       what every fault is, and what it may take hold of
catalogue.py  all faults by name, and faults made from what users write: tables, and labels

All other files hold the faults of one kind.
"""
