"""Response times, fuses and leads, calculated before anything is bought or soldered.

message_plan.py  the messages of a vehicle: periods, jitter, deadlines, tolerated losses
response.py      worst-case response times (Davis, Burns, Bril, Lukkien 2007), and Audsley's order
analysis.py      the whole plan at one bit rate, and at others; where no bound can be given
route_times.py   from one bus to another over a gateway: jitter that is inherited
observed.py      response times in a recording, compared with the plan
lines.py         current and voltage drop of each load and node, and what a finding is
protection.py    fuses and leads against each other, their current and a short; allowed drops
starts.py        starts in the circuit of a run: fuses, nodes that reset, switches that trip
contacts.py      relays and solid-state switches against their loads
voltages.py      nameplates, ranges, charging, cranking, what the battery must last
assumptions.py   what is assumed where the vehicle file does not say
power_plan.py    the whole power plan, and what fails as the voltage falls
suggest.py       the sizes that satisfy the rules, as a patch and a list to buy

A missing bound can lead to others: a message without a bound may fill its node's mailboxes. The
analysis repeats until no more are found. Times are rounded up where the bus rounds to the nearest
nanosecond, so that no simulated frame is longer than the analysis takes it to be. ``observed.py``
traces the frames of a recording back to their programs and notes where the recording departs from
the plan; only frames that keep to the plan are compared with a bound. A bound that is exceeded
there is an error in the analysis: ``tests/sizing/test_simulated_bounds.py`` looks for one.

What the analysis does not cover: CAN FD, remote frames, offsets between messages, the program's own
queue before the mailboxes (declare it as jitter), error-passive nodes.

A rule of the power plan is a function that yields findings, each with its source. Its test provokes
it with one change to a sound car.
"""
