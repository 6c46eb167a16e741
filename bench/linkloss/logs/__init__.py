"""Logged drives: read, described, replayed on the bus, compared, made.

source.py    a log file as a stream of messages, even if the file is damaged
mf4.py       measurement files, and what is left of one that breaks off
packets.py   captured packets (.pcap, .pcapng)
printed.py   the screen format of the SocketCAN tools
columns.py   frames in a table, by the names of its columns
stream.py    the frames of one channel, at instants counted from the first frame
describe.py  what is in a log
protect.py   counters and checksums in it
drive.py     a log as a scenario of a vehicle; a seeded driver that makes up a drive
bare.py      a log on bare buses, in constant memory
compare.py   what differs between two runs
"""
