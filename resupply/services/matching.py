"""Matches: a patient's answers and the style chosen; and the clinic's own versions of the table."""

import re
from collections.abc import Collection, Mapping
from datetime import date, datetime
from decimal import Decimal

from django.contrib.auth.base_user import AbstractBaseUser
from django.db import transaction

from resupply.models import MatchingVersion, MatchRecord, Patient
from resupply.queries.matching import table_on
from resupply.rules.matching import match
from resupply.rules.matching_table import BadTableError, Question, Table, read_table
from resupply.services.errors import Refused
from resupply.services.records import (
    check_begin,
    check_day,
    check_reason,
    kept_whole,
    local_day,
    stamp,
    take_back,
)

_NUMBER = re.compile(r"-?[0-9]{1,6}(?:\.[0-9])?")
LONGEST_TABLE = 200_000
"""Characters; the shipped table has a tenth of it."""


def record_match(
    *,
    patient: Patient,
    answered_on: date,
    answers: Mapping[str, Collection[str]],
    style: str,
    note: str,
    by: AbstractBaseUser | None,
    now: datetime,
) -> MatchRecord:
    """Record answers, the order they lead to by the table in force that day, and the style chosen ("": none).

    Raises Refused: `before_birth`, `future`, `answer` (a value the question does not offer), `style` (none of
    the table, or chosen against a referral), `too_long`.
    """
    check_day(patient, answered_on, today=local_day(now, patient.time_zone), field="answered_on")
    now_in_force = table_on(answered_on)
    given = checked_answers(answers, now_in_force.table)
    found = match(given, now_in_force.table)
    if style and style not in {known.id for known in now_in_force.table.styles}:
        raise Refused("style", "Choose one of the styles listed.", "style")
    if style and found.refer:
        raise Refused("style", "The answers refer the patient: record the match without a style.", "style")
    return MatchRecord.objects.create(
        patient=patient,
        answered_on=answered_on,
        answers={question: sorted(values) for question, values in sorted(given.items())},
        version=now_in_force.version,
        order=list(found.order),
        style=style,
        note=kept_whole(note, 500, "note"),
        **stamp(by, now),
    )


def checked_answers(answers: Mapping[str, Collection[str]], table: Table) -> dict[str, frozenset[str]]:
    """Answers to the questions of a table, empty ones left out. Raises Refused `answer`, field = question."""
    questions = {question.id: question for question in table.questions}
    given: dict[str, frozenset[str]] = {}
    for name, values in answers.items():
        kept = frozenset(value.strip() for value in values if value.strip())
        if not kept:
            continue
        question = questions.get(name)
        if question is None:
            raise Refused("answer", "A question is not on the list any more. Open the form again.")
        _check_answer(question, kept)
        given[name] = kept
    return given


def void_match(
    record: MatchRecord, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> MatchRecord:
    """Take a match back. Raises Refused `reason_missing`, `reason_long`, `already_void`."""
    with transaction.atomic():
        take_back(record, reason=reason, by=by, now=now)
    return record


def record_version(
    text: str, *, effective_from: date, reason: str, by: AbstractBaseUser | None, now: datetime
) -> MatchingVersion:
    """Append a version of the clinic's own table. Raises Refused: `table` (with the row at fault),
    `effective_from`, `reason_missing`, `reason_long`.
    """
    check_table(text)
    check_begin(effective_from)
    return MatchingVersion.objects.create(
        table=text, effective_from=effective_from, reason=check_reason(reason), **stamp(by, now)
    )


def check_table(text: str) -> Table:
    """The table as written. Raises Refused `table`, with the row at fault."""
    if len(text) > LONGEST_TABLE:
        raise Refused("table", f"The table is too long: at most {LONGEST_TABLE} characters.", "table")
    try:
        return read_table(text)
    except BadTableError as fault:
        raise Refused("table", str(fault), "table") from fault


def void_version(
    version: MatchingVersion, *, reason: str, by: AbstractBaseUser | None, now: datetime
) -> MatchingVersion:
    """Take a version back; matches judged by it stay as they are.

    Raises Refused `reason_missing`, `reason_long`, `already_void`.
    """
    with transaction.atomic():
        take_back(version, reason=reason, by=by, now=now)
    return version


def _check_answer(question: Question, values: frozenset[str]) -> None:
    if question.kind == "number":
        number = _number(min(values))
        if len(values) > 1 or number is None or not question.least <= number <= question.most:
            bounds = f"{question.least} to {question.most} {question.unit}".rstrip()
            raise Refused("answer", f"Enter a number from {bounds}.", question.id)
        return
    if question.kind == "one" and len(values) > 1:
        raise Refused("answer", "Choose one of them.", question.id)
    if not values <= {value for value, _ in question.values}:
        raise Refused("answer", "Choose from the list.", question.id)


def _number(text: str) -> Decimal | None:
    """A number with at most one decimal place, as the form takes it; None where it is none."""
    return Decimal(text) if _NUMBER.fullmatch(text) else None
