"""Results for people and for programs: screen, pages, JSON, JUnit, Markdown, logs.

terminal.py   a check on the screen; timeline.py one run; picture.py one instant of it
words.py      verdicts as sentences, and what a rule declares; totals.py the figures
findings.py   findings as scenario files; advice.py causes in words, and what to do
bundle.py     a finding and all that it needs as one file
car_drawing.py  the car from above
html/         pages
machine.py    JSON; schemas.py its schemas; reopen.py reads it back
junit.py, markdown.py
export.py     a recording as a log or a table; waveform.py bit by bit
timing_report.py, power_report.py, description.py, comparison.py  reports on plans and logs
circuit_picture.py  the circuit as a tree from the battery
desk_drawing.py  the wires of a node on the desk, as a list and as a drawing
screen.py, files.py  where results are written
"""
