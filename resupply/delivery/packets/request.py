"""The refill request on paper: what was asked, when and how, and what the patient said."""

from collections.abc import Iterator

from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Spacer

from resupply.delivery.packets.blocks import facts
from resupply.delivery.packets.words import CHANNEL, CONDITION, STATE, WISH, Doc, day, moment, stamped
from resupply.delivery.pdf import grid, text


def request(document: Doc) -> list[Flowable]:
    """Questions and answers that the lines were given from."""
    blocks: list[Flowable] = []
    for question in document["questions"]:
        blocks += _question(question)
    for answer in document["answers"]:
        blocks += _answer(answer)
    if not blocks:
        return [text("No refill request is linked to what was given.")]
    if not document["questions"]:
        blocks.append(
            text("No question was sent by this program: the contact is the one in the answer.", "small")
        )
    return blocks


def _question(question: Doc) -> Iterator[Flowable]:
    parts = "; ".join(
        f"{part['description']} ({part['part_code']}), supply ends {day(part['supply_ends_on'])}"
        for part in question["parts"]
    )
    rows = [("Asked", moment(question["asked_at"])), ("About", parts)]
    rows += [("Sent", _sent(message)) for message in question["messages"]]
    closed = f" on {moment(question['closed_at'])}" if question["closed_at"] else ""
    rows.append(("The question is", f"{STATE[question['state']]}{closed}"))
    yield facts(rows)
    for message in question["messages"]:
        if message["body_text"].strip():
            yield text("Its words:", "small")
        for line in message["body_text"].splitlines():
            if line.strip():
                yield text(line, "small")
    yield Spacer(1, 2 * mm)


def _sent(message: Doc) -> str:
    subject = f", “{message['subject']}”" if message["subject"] else ""
    way = CHANNEL[message["channel"]].removeprefix("by ").capitalize()
    return f"{way} on {moment(message['sent_at'])} to {message['address']}{subject}"


def _answer(answer: Doc) -> Iterator[Flowable]:
    who = answer["answered_by"] + (f" ({answer['relation']})" if answer["relation"] else "")
    using = {True: "yes", False: "no", None: "not asked"}[answer["still_using"]]
    late = ", after the question had expired" if answer["is_late"] else ""
    wanted = {"ship": "shipped", "collect": "collected here"}[answer["handover"]]
    rows = [
        ("Answer", f"{WISH[answer['wish']]}{late}"),
        ("From", f"{who}, {CHANNEL[answer['channel']]}"),
        ("Contact on", f"{day(answer['contacted_on'])}; answered {moment(answer['answered_at'])}"),
        ("Recorded", stamped(answer)),
        ("Still using it", using),
        ("Wants parts", wanted),
    ]
    if answer["voided_at"]:
        rows.append(("VOID", f"{moment(answer['voided_at'])}: {answer['void_reason']}"))
    yield facts(rows)
    heads = ("Item", "HCPCS code", "Wanted", "How many", "Why it is needed", "Condition", "Left")
    items = [
        (
            item["description"],
            item["part_code"],
            "yes" if item["wanted"] else "no",
            "as suggested" if item["quantity"] is None else item["quantity"],
            item["need"],
            CONDITION[item["condition"]],
            "not said" if item["left"] is None else item["left"],
        )
        for item in answer["items"]
    ]
    yield Spacer(1, 1 * mm)
    yield grid(heads, items, (0.26, 0.11, 0.09, 0.12, 0.2, 0.12, 0.1))
