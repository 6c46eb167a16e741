"""Before anything is bought or soldered: is the bus fast enough, do fuses and leads suit the loads?

message_plan.py  the messages of a vehicle: periods, jitter, deadlines, losses they bear
response.py      worst-case response times (Davis, Burns, Bril, Lukkien 2007), and Audsley's order
analysis.py      the whole plan at one bit rate, and at others; where no bound can be given
observed.py      response times in a recording, held against the plan
lines.py         what each load and node draws and loses; fuse against load and lead
power_plan.py    the whole power plan: what sheds, what sleeps, the findings
"""
