"""A node on the desk, its inputs driven, its outputs felt and its plugs pulled by an I/O board.

line_protocol.py  the lines between bench and board
board_clock.py    the board's clock, tied to the bench's, with the uncertainty stated
io_board.py       what the bench knows of the board: commands, what it felt, doubts
board_link.py     the serial line to it, in a thread of its own
wired_node.py     loads and inputs of a node in place of lines, as ``[io.NODE]`` says
watching_lines.py what is felt, as lines of text
"""
