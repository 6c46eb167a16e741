"""The interface ``linkloss`` of python-can: a bus in real time for the programs of one process.

``pyproject.toml`` names it to python-can, which imports it once a program opens a bus of it.

bus.py      what a program holds
channel.py  the bus that all buses of a channel share, paced by the wall clock
"""
