"""The bus opened to other processes and to real nodes, in real time.

endpoint.py     a place where a program or an adapter meets the bus
udp.py          programs over multicast on this computer
serial_line.py  a program over a pseudo-terminal, as if an adapter were at its other end
adapter_text.py the protocol that is spoken there
adapter.py      an adapter, or any other bus that python-can can open
asked.py        what a user asks to be opened, as endpoints
opened.py       a live session with all of them
doors.py        the same for each session that `live` begins
real.py         a real node: what can be done to it and said of it, and the caution
checklist.py    faults that need hands
"""
