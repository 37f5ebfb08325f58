"""Acts on overdue lines in words: titles, buttons, and what was done and undone."""

from collections.abc import Mapping
from datetime import date

from resupply.delivery.overdue_words import left_out_words, lines_words
from resupply.models import Act, BulkAct
from resupply.queries.names import staff_name
from resupply.web.wording import day_words

TITLES = {
    Act.ASK: "Ask again",
    Act.ASSIGN: "Assign lines",
    Act.NOTE: "Note on lines",
    Act.SNOOZE: "Snooze lines",
}
BUTTONS = {Act.ASK: "Ask them", Act.ASSIGN: "Assign", Act.NOTE: "Write the note", Act.SNOOZE: "Snooze"}


def done_words(bulk: BulkAct, *, today: date) -> str:
    """`3 lines snoozed until Thu 2 Apr: moving house. Left out: 1 line (said not now).`"""
    lines = lines_words(bulk.lines_done)
    who = staff_name(bulk.assigned_to) or "nobody any more"
    done = {
        Act.ASK: f"{lines} asked about; messages go out within sending hours.",
        Act.ASSIGN: f"{lines} assigned to {who}.",
        Act.NOTE: f"Note on {lines}: {bulk.note}.",
        Act.SNOOZE: f"{lines} snoozed until {day_words(bulk.until or today, today=today)}: {bulk.note}.",
    }[Act(bulk.act)]
    left = left_out_said(bulk.left_out)
    return f"{done} {left}" if left else done


def left_out_said(reasons: Mapping[str, int]) -> str:
    """`Left out: 2 lines (said not now).`; empty where none was."""
    said = (f"{lines_words(number)} ({left_out_words(code)})" for code, number in sorted(reasons.items()))
    listed = ", ".join(said)
    return f"Left out: {listed}." if listed else ""


def undone_words(bulk: BulkAct) -> str:
    """`Undone for 3 lines. The message about 2 lines had gone out already.`"""
    gone = bulk.lines_done - bulk.lines_undone
    words = f"Undone for {lines_words(bulk.lines_undone)}."
    return f"{words} The message about {lines_words(gone)} had gone out already." if gone else words
