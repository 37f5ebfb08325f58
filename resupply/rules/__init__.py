"""The point of the program: what every date and quantity means. Standard library only, no clock, no database.

Start at `lines.py` (a patient's lines as of a day); it calls `wear` (which unit is in use, and until when),
`coverage` (what the payer allows) and `refills` (when to ask, when to dispense, how many).
"""
