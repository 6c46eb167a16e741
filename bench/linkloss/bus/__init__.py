"""The CAN medium: whole frames on a bus in virtual time, exact to the bit.

frame.py       what a frame is: its bits, its length, its rank in arbitration; when its bits begin
bits.py        CRC and bit stuffing; what a frame's bits, classical or CAN FD, owe to its header
record.py      what the bus tells its observers, and what disturbs it
controller.py  one node's controller: mailboxes, filters, FIFO, error counters, error state
reception.py   the bits of a frame at either end: what is sent, and what is made of what is seen
protocol.py    the protocol machine: one controller bit by bit, error frames and all
segment.py     the controllers that hear each other: arbitration, and whole frames
bit_by_bit.py  the same bit by bit, while something is out of the ordinary
grid.py        when those bits begin and end, at one bit rate or two
cable.py       who sits where, what is wrong with it, and what each controller sees of it
medium.py      the bus as a whole, and what becomes of live traffic when the cable changes
port.py        the python-can face: ports, periodic sending, plain programs on the bus
message.py     frames as python-can messages, and as lines of text logs
interface.py   the interface ``linkloss`` of python-can: a bus in real time
"""

from linkloss.bus.controller import Controller
from linkloss.bus.frame import FdFrame, Frame
from linkloss.bus.medium import Bus
from linkloss.bus.port import Port, open_channel
from linkloss.bus.record import BitRecord, BusRecord

__all__ = [
    "BitRecord",
    "Bus",
    "BusRecord",
    "Controller",
    "FdFrame",
    "Frame",
    "Port",
    "open_channel",
]
