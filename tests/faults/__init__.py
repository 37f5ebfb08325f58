"""Reminders under faults: real scheduler and workers, real servers, and something that breaks them.

`stand.py` runs the processes, `entry.py` is what they start with, `breaking.py` breaks them. `office.py` and
`wire.py` are the mail server and the line to the queue. `people.py` commits patients who are due, or are not;
`reckoning.py` counts what became of them; `scenarios.py` says what happens in which order. The short form is
`test_faults.py`, the long one `make test-faults`.
"""
