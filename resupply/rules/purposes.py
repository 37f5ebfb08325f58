"""What a message is about: its purpose, for which a patient may say yes or no.

The rule in plain words. Everything that is written to a patient has one of these purposes. *Question* is the
refill question and its reminder before the supply is due (steps *ask*, *ask again* and *due* of the ladder in
`reminders.py`); *overdue* are the later steps of the same ladder. *Swap* says that a part is to be changed
and a spare is at home. *Follow-up*, *welcome* and *calendar* have no steps: each occasion is written about
once. A yes or no that names no purpose covers all of them (`consents.py`).

Where one message carries several purposes, they stand in the order of `URGENT_FIRST`, and the first one
chooses its wording.

>>> of_step("ask_again").value, of_step("overdue_2").value
('question', 'overdue')
"""

from enum import StrEnum


class Purpose(StrEnum):
    """What a message is about."""

    SWAP = "swap"
    QUESTION = "question"
    OVERDUE = "overdue"
    FOLLOW_UP = "follow_up"
    WELCOME = "welcome"
    CALENDAR = "calendar"


URGENT_FIRST = (
    Purpose.OVERDUE,
    Purpose.QUESTION,
    Purpose.FOLLOW_UP,
    Purpose.SWAP,
    Purpose.WELCOME,
    Purpose.CALENDAR,
)


def of_step(step: str) -> Purpose:
    """The purpose of a step of the refill ladder."""
    return Purpose.OVERDUE if step.startswith("overdue") else Purpose.QUESTION
