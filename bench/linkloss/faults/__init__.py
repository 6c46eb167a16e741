"""The catalogue of faults: one class for each, found by looking into this folder.

base.py       what every fault is, and what it may act on
catalogue.py  all faults by name; faults made from what users write: tables and labels

Each of the other files holds the faults of one kind.
"""
