"""What came out, for people and for programs: screen, pages, JSON, JUnit, Markdown, logs.

terminal.py   a check on the screen; timeline.py one run; picture.py one instant of it
words.py      verdicts as sentences, and what is declared for a rule; totals.py the figures
findings.py   findings as scenario files
html/         pages
machine.py    JSON; schemas.py its schemas; reopen.py the way back
junit.py, markdown.py
export.py     a recording as a log or a table; waveform.py bit by bit
timing_report.py, power_report.py, comparison.py  plans and logs
screen.py, files.py  where results go
"""
