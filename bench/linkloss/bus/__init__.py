"""The CAN medium: whole frames on a bus in virtual time, exact to the bit.

frame.py       what a frame is: its bits, its length, its rank in arbitration, its bit times
bits.py        CRC and bit stuffing; frame headers, classical and CAN FD
record.py      what the bus reports to its observers, and what disturbs it
record_list.py  the records in order, equal failed attempts in a row kept as one
controller.py  one node's controller: mailboxes, filters, FIFO, error counters, error state
reception.py   the bits of a frame at either end: what is sent, and what is made of what is seen
protocol.py    the protocol machine: one controller bit by bit, with error frames
segment.py     the controllers that hear each other: arbitration, and whole frames
bit_by_bit.py  the same bit by bit, while something is out of the ordinary
grid.py        when those bits begin and end, at one bit rate or two
cable.py       who is where, what is wrong with it, and what each controller sees of it
medium.py      the bus as a whole, and what becomes of live traffic when the cable changes
port.py        the python-can face: ports, periodic sending, plain programs on the bus
message.py     frames as python-can messages, and as lines of text logs
interface.py   the interface ``linkloss`` of python-can: a bus in real time

Frames and bits
---------------

Undisturbed frames are worked out as wholes, two events each (``segment.py``). Where something may
go wrong the segment is *followed* bit by bit until all its controllers are idle again:

    medium.py --> segment.py --> bit_by_bit.py --> protocol.py   one controller each
                      |              |
                      |              '--> grid.py   when bits begin and end
                      '--> controller.py   cable.py   who sees what

``Segment`` decides at a start of frame (``_is_exceptional``). It follows the frame for a hit of
``bus.disturbances``, a noise whose next hit falls into the frame, two senders of one identifier
with different content, listeners of which none acknowledges, or a ``Wiring``. In the middle of a
frame (a sender leaves, the cable changes) it steps through the bits up to now again
(``Segment.follow``), which changes nothing. One case stays a whole: a node that is all alone.
``tests/bus/test_followed_bit_by_bit.py`` compares both ways.

Bit by bit every station drives a level, the levels are combined, and each station's ``step`` is
called with what it sees. All rules of errors and counters are in ``protocol.py`` and
``controller.py``, with their numbers in the specification. A lower file knows a higher one only as
a ``Protocol`` of its own (``Piece``, ``Medium``, ``Follower``, ``Whole``). Several bits run within
one event while nothing else is due; a bus that is stuck for good sleeps. A bit takes some 2 us
here, so 200 bits of trouble cost as much as some 60 good frames.

``Wiring.seen(set of drivers)`` gives the set of controllers that read dominant; it is worked out
once for each set. It comes from ``Cable``: copper makes nets (``cable.Nets``), and ``Circuit``
solves the nets' levels. Where all see the same there is no ``Wiring``, and parts that do not see
each other at all are segments of their own. Change the cable only within ``with
bus.rewiring(...)``.

A record names the receivers whose FIFO got the frame, and ends at that instant. ``segment.py``
makes the records of whole frames, ``bit_by_bit.py`` those of followed ones, and nothing else does.
So a frame may have ``error`` set and receivers all the same: the error came too late for them, and
its sender repeats the frame unless it has left. Where the cable changes in the middle of a frame,
each piece has a record of its own. The judge counts the frame as delivered to these receivers, and
as sent only when the repeat gets through. ``tests/bus/test_one_truth.py`` hits every bit and
compares FIFOs with records; ``tests/against/test_controller_core.py`` checks stations against an
independent controller core.

Limits: all stations share one grid of nominal bits; there is no propagation delay and no
resynchronisation; a node at another bit rate takes more or fewer steps on that grid; hits fall
between a start of frame and the end of its intermission; a controller that is switched on is ready
at the next start of frame, except while the bus is followed: then it waits for eleven recessive
bits.

CAN FD
------

A CAN FD frame is an ``FdFrame``; ``Frame`` and its coding know nothing of it. While any station is
in the faster part, ``FastPart`` steps stations at the data bit rate once per bit of theirs, and the
others once per nominal bit; ``grid.py`` counts instants in parts of a second of which both are
multiples. A frame with a classical controller among its receivers is followed from its start.
Simple on purpose:

* The bit rate changes at the end of BRS and at the end of the CRC delimiter, not at sample points
  inside them. The duration is exact all the same (``bits.py`` says why).
* A nominal station sees the level of the fast bit in which its bit ends. When the faster part is
  over, its bit counts as whole if at least half of it is over; otherwise the bit starts again.
* A classical controller accepts any value of a reserved bit (Bosch CAN Specification 2.0), reads on
  by its own rules, and so finds an error in a CAN FD frame some bits later; some controllers may
  flag the recessive FDF at once. Either way the frame is destroyed, unless a CRC fits by chance.
* Left out: the second bit that the ACK slot and the CRC delimiter may have, transmitter delay
  compensation, protocol exceptions (a recessive bit after FDF is an error).
* With equal identifiers, a classical and a CAN FD frame collide in FDF: a bit error of the CAN FD
  sender. That FDF follows the arbitration field is from memory.

Controllers
-----------

A controller is made with the properties of the vehicle file, and returns to them at a reset
(``Controller.restore_settings``): what a program changed of them does not survive it. Not modelled:
mailboxes with priorities of their own, receive mailboxes of one filter each. A frame of a
single-shot controller that loses arbitration waits for the next start of frame.

Programs of this process
------------------------

``interface.py`` is the way in for python-can programs. One thread for each channel runs the bus by
the wall clock; python-can buses enter what they do and never touch the bus themselves.
``tests/bus/test_interface_contract.py`` is one contract for it and python-can's ``virtual``;
``test_interface_differences.py`` shows how a bus differs from a list of queues.
"""

from linkloss.bus.controller import Controller
from linkloss.bus.frame import FdFrame, Frame
from linkloss.bus.medium import Bus
from linkloss.bus.port import Port, open_channel
from linkloss.bus.record import BitRecord, BusRecord
from linkloss.bus.record_list import RecordList

__all__ = [
    "BitRecord",
    "Bus",
    "BusRecord",
    "Controller",
    "FdFrame",
    "Frame",
    "Port",
    "RecordList",
    "open_channel",
]
