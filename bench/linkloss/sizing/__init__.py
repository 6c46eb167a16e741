"""Whether a message plan is fast enough, worked out before anything is soldered.

stream.py      what the analysis knows of one message, and of errors on the bus
response.py    worst-case response times (Davis, Burns, Bril, Lukkien 2007)
order.py       a priority order in which all deadlines are met (Audsley)
load.py        bus load, with typical and with worst-case stuff bits
plan.py        the messages of a vehicle with their declared periods, jitter and deadlines
losses.py      how long receivers wait before a message is stale, and how many may be lost
limits.py      where no bound can be given, and why
analysis.py    the whole plan at one bit rate, and at others
observed.py    response times in a recording, and where it left the declared plan
"""
