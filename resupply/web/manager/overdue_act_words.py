"""Acts on overdue lines in words: titles, buttons, and what was done and undone."""

from datetime import date

from resupply.delivery.overdue_words import left_out_words, lines_words
from resupply.models import Act, BulkAct
from resupply.web.wording import counted, day_words

TITLES = {
    Act.ASK: "Ask again",
    Act.ASSIGN: "Assign lines",
    Act.NOTE: "Note on lines",
    Act.SNOOZE: "Snooze lines",
}
BUTTONS = {Act.ASK: "Ask them", Act.ASSIGN: "Assign", Act.NOTE: "Write the note", Act.SNOOZE: "Snooze"}


def done_words(bulk: BulkAct, *, today: date) -> str:
    """`3 lines snoozed until Thu 2 Apr: moving house. 1 left out: said not now.`"""
    lines = lines_words(bulk.lines_done)
    named = bulk.assigned_to
    who = (named.get_full_name() or named.get_username()) if named else "nobody any more"
    done = {
        Act.ASK: f"{lines} asked about; messages go out within sending hours.",
        Act.ASSIGN: f"{lines} assigned to {who}.",
        Act.NOTE: f"Note on {lines}: {bulk.note}.",
        Act.SNOOZE: f"{lines} snoozed until {day_words(bulk.until or today, today=today)}: {bulk.note}.",
    }[Act(bulk.act)]
    left = ", ".join(f"{number:,} {left_out_words(code)}" for code, number in sorted(bulk.left_out.items()))
    return f"{done} Left out: {left}." if left else done


def undone_words(bulk: BulkAct) -> str:
    """`Undone for 3 lines.`"""
    gone = bulk.lines_done - bulk.lines_undone
    words = f"Undone for {lines_words(bulk.lines_undone)}."
    return f"{words} {counted(gone, 'message')} had gone out already." if gone else words
