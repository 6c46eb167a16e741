"""Response times, fuses and leads, worked out before anything is bought or soldered.

message_plan.py  the messages of a vehicle: periods, jitter, deadlines, losses they bear
response.py      worst-case response times (Davis, Burns, Bril, Lukkien 2007), and Audsley's order
analysis.py      the whole plan at one bit rate, and at others; where no bound can be given
observed.py      response times in a recording, held against the plan
lines.py         what each load and node draws and loses; fuse against load and lead
power_plan.py    the whole power plan: what sheds, what sleeps, the findings

One reason for having no bound begets others (a message without a bound may fill its node's
mailboxes), until none is added. Times are rounded up where the bus rounds to the nearest
nanosecond, so that no simulated frame is longer than the analysis takes it to be.
``observed.py`` traces frames of a recording back to their programs and notes where the recording
left the plan; only what kept to it is held against a bound. A bound that is exceeded there is a
mistake of ours: ``tests/sizing/test_simulated_bounds.py`` looks for one.

What the analysis does not know: CAN FD, remote frames, offsets between messages, the program's
own queue before the mailboxes (declare it as jitter), error-passive nodes.

A rule of the power plan is a function that yields findings, each with its source; a test brings
it about by one change of a sound car.
"""
