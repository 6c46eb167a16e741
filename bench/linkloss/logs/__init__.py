"""Logged drives: read, described, put on the bus again, compared, made.

source.py    a log file as a stream of messages, whatever is wrong with the file
stream.py    frames of one channel, at instants from the first one on
describe.py  what is in a log
protect.py   counters and checksums in it
drive.py     a log as a scenario of a vehicle, and a seeded driver that makes one
bare.py      a log on bare buses, in constant memory
compare.py   what differs between two runs
"""
