"""A node on the desk, its inputs driven, its outputs felt and its plugs pulled by an I/O board.

line_protocol.py   the lines between bench and board
board_clock.py     the board's clock, tied to the bench's, with the uncertainty stated
io_board.py        what the bench knows of the board: commands, what it felt, doubts
board_link.py      the serial line to it, in a thread of its own
wired_node.py      loads and inputs of a node in place of lines, as ``[io.NODE]`` says
watching_lines.py  what is felt, as lines of text
adapter_way.py     how long a frame takes through the CAN adapter
fault_ways.py      which faults can be done there, and who does them
choosing.py        which cases are worth the real time
real_case.py       one case on real time
real_check.py      a whole check, what broke run again, and the head of its report

How it is judged: :mod:`linkloss.judge.felt`. The other nodes run in a live session
(:mod:`linkloss.live`). Nothing of a case is judged in real time: instants are noted as spans of the
wall clock and of the board's, and become spans of virtual time once the case is over and the clocks
are tied from both sides.

What is simplified: a line is on or off, or a duty; what an adapter loses without saying so looks
like the node's loss; a relay's time is what the vehicle file says.
"""
