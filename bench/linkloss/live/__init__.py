"""Real time: a vehicle driven by hand, open to other processes and to real nodes.

driven.py       a vehicle on real time, recorded as a scenario in the making
view.py         what it looks like at an instant, and which rules are broken just then
service.py      its threads, those who watch it, and what they may ask of it
server.py       its web server: who is let in, and how much each may use up
page/           its page, with drawing.py for the car from above
console.py      the same on a terminal
endpoints.py    where a program or an adapter meets the bus
serial_line.py  a program over a pseudo-terminal, as if an adapter were at its other end
opened.py       a live session with its bus opened
real_node.py    a real node: what can be done to it and said of it, and faults that need hands
"""
