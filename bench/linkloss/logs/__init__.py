"""Logged drives: read, described, put on the bus again, compared, made.

source.py      a log file as a stream of entries, whatever is wrong with the file
textlog.py     SocketCAN text logs, the quick way
stream.py      frames of one channel, at instants from the first one on
bare.py        a log on bare buses, in constant memory
drive.py       a log as a scenario of a vehicle
inputs.py      what the driver did, read off the messages
fault_text.py  a fault with its instant as one word
driver.py      a seeded driver that makes a drive
describe.py    what is in a log; seen.py, columns.py, intervals.py, load.py, protect.py: parts of it
compare.py     what differs between two runs
recorded.py    a recording read back from JSON
"""
