"""The CAN medium: whole frames on a bus in virtual time, exact to the bit.

frame.py        what a frame is: its bits, its length, its rank in arbitration
header.py       what the bits of a frame owe to its header, worked out once
coding.py       CRC and bit stuffing
fd.py           the bits of a CAN FD frame
bitclock.py     when the bits of a frame begin
confinement.py  the error counters and the error state
mailbox.py      the sending half of a controller
controller.py   one node's protocol controller
delivery.py     who hears a frame
segment.py      the controllers that hear each other: arbitration and the course of a frame
following.py    from whole frames to bits: when, and from where
interlude.py    a segment bit by bit, while something on it is out of the ordinary
grid.py         when its bits begin and end
station.py      one controller bit by bit, during frames
bystander.py    the same between frames: error and overload frames, intermission
outgoing.py     what a sender has to send, bit by bit
reception.py    what a receiver makes of what it sees
reception_fd.py the same for one that knows CAN FD
fastpart.py     the faster part of a CAN FD frame: two bit rates at one time
attempt.py      who sends from one start of frame on, and what becomes of it
arrival.py      frames that receivers have accepted bit by bit, and telling of them
noise.py        random bit errors
wiring.py       what each controller sees of what all drive
circuit.py      the two conductors as a circuit: levels
line.py         the cable as a line: terminators and lengths
recovery.py     the way back from bus-off
record.py       what the bus tells its observers, and what disturbs it
cable.py        who sits where on the cable, and what is wrong with it
rewire.py       what becomes of live traffic when the cable changes
medium.py       the bus as a whole
port.py         the python-can face of a controller
cyclic.py       periodic sending in virtual time
guests.py       plain python-can programs on the bus
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
