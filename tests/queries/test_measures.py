"""Measures, worked out again in plain SQL written for this test alone, from rows written at random."""

import random
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest
from django.db import connection

from resupply.models import CleaningTick, Message, Patient, PatientLink, PlanLine, RefillQuestion, SupplyMonth
from resupply.queries.measures import Cell, measured, months_until, quantile, together
from resupply.services import measures, plans
from resupply.services.jobs import Progress
from tests.builders import (
    NOW,
    TODAY,
    make_answer,
    make_dispense,
    make_event,
    make_location,
    make_own_page,
    make_patient,
    make_question,
)

pytestmark = pytest.mark.django_db
MARCH = date(2026, 3, 1)


def ask(sql: str, **values: object) -> list[tuple[Any, ...]]:
    with connection.cursor() as cursor:
        cursor.execute(sql, values)
        return cursor.fetchall()


@pytest.fixture
def clinic() -> list[int]:
    """Two locations in far zones; people who were asked, answered, got parts and ticked, at random."""
    dice = random.Random(6)
    places = [make_location(time_zone="Pacific/Auckland"), make_location(time_zone="Pacific/Honolulu")]
    for number in range(24):
        person = make_patient(location=places[number % 2])
        make_dispense(person, on=TODAY - timedelta(days=dice.randrange(20, 120)))
        if number % 8 == 0:
            make_event(person, "pause", on=TODAY - timedelta(days=3))
        _asked(person, dice)
        plans.refresh_plans([person.pk], now=NOW)
    return [place.pk for place in places]


def _asked(person: Patient, dice: random.Random) -> None:
    """A question, perhaps an answer, perhaps a part; messages, a link, ticks."""
    at = datetime(2026, dice.choice((1, 2, 3)), dice.choice((1, 15, 28)), dice.randrange(24), tzinfo=UTC)
    make_question(person, asked_at=at, expires_at=at + timedelta(days=30))
    question = RefillQuestion.objects.get(patient=person)
    if dice.random() < 0.2:
        Message.objects.filter(question=question).update(state="failed")
    if dice.random() < 0.7:
        wish = dice.choice(["yes", "yes", "not_now"])
        answer = make_answer(person, wish=wish, contacted_on=at.date(), items=[{"wanted": wish == "yes"}])
        RefillQuestion.objects.filter(pk=question.pk).update(state="answered", answer=answer, closed_at=at)
        if wish == "yes" and dice.random() < 0.7:
            item = answer.items.get()
            on = min(at.date() + timedelta(days=dice.randrange(9)), TODAY)
            linked = dice.random() < 0.6
            make_dispense(person, on=on, lines=[{"answer_item": item if linked else None}])
        if dice.random() < 0.2:
            answer.voided_at, answer.void_reason = NOW, "test"
            answer.save()
    if dice.random() < 0.6:
        make_own_page(person)
        PatientLink.objects.filter(patient=person).update(created_at=at)
        for _ in range(dice.randrange(3)):
            day = TODAY - timedelta(days=dice.randrange(60))
            CleaningTick.objects.get_or_create(patient=person, day=day, task="wash_mask")


def test_supply_today_is_what_plain_sql_counts(clinic: list[int]) -> None:
    cells = measured(clinic, today=TODAY)
    sql = """
        SELECT count(*), count(*) FILTER (WHERE supply_ends_on >= %(today)s),
            percentile_disc(0.5) WITHIN GROUP (ORDER BY %(today)s - supply_ends_on)
                FILTER (WHERE supply_ends_on < %(today)s),
            percentile_disc(0.9) WITHIN GROUP (ORDER BY %(today)s - supply_ends_on)
                FILTER (WHERE supply_ends_on < %(today)s)
        FROM resupply_planline line
        WHERE active AND line.location_id = ANY(%(places)s) AND NOT EXISTS (
            SELECT FROM resupply_event pause
            WHERE pause.patient_id = line.patient_id AND pause.event = 'pause'
                AND pause."on" <= %(today)s AND (pause.until IS NULL OR pause.until > %(today)s))"""
    for places in ([clinic[0]], [clinic[1]], clinic):
        total = together(cells[MARCH, place] for place in places)
        found = ask(sql, today=TODAY, places=places)[0]
        late = total.days_overdue
        assert (total.lines, total.in_supply, quantile(late, 0.5), quantile(late, 0.9)) == found
        assert 0 < total.in_supply < total.lines


def test_questions_to_parts_are_what_plain_sql_counts(clinic: list[int]) -> None:
    cells = measured(clinic, today=TODAY)
    sql = """
        WITH went AS (
            SELECT q.id, q.answer_id, p.location_id,
                to_char(q.asked_at AT TIME ZONE l.time_zone, 'YYYY-MM') AS month
            FROM resupply_refillquestion q JOIN resupply_patient p ON p.id = q.patient_id
            JOIN resupply_location l ON l.id = p.location_id
            WHERE q.id IN (SELECT question_id FROM resupply_message WHERE state = 'sent')),
        led AS (
            SELECT DISTINCT a.id FROM resupply_refillanswer a
            JOIN resupply_refillansweritem i ON i.answer_id = a.id
            JOIN resupply_dispense d ON d.patient_id = a.patient_id AND d.voided_at IS NULL
            JOIN resupply_dispenseline dl ON dl.dispense_id = d.id AND dl.voided_at IS NULL
            WHERE i.wanted AND (dl.answer_item_id = i.id OR (dl.kind = i.kind AND dl.exchange_of_id IS NULL
                AND d.dispensed_on >= a.contacted_on)))
        SELECT went.month, went.location_id, count(*), count(a.id), count(*) FILTER (WHERE a.wish = 'yes'),
            count(*) FILTER (WHERE a.wish = 'yes' AND a.id IN (SELECT id FROM led))
        FROM went LEFT JOIN resupply_refillanswer a ON a.id = went.answer_id AND a.voided_at IS NULL
        GROUP BY 1, 2"""
    counted = {
        (f"{month:%Y-%m}", place): (cell.asked, cell.answered, cell.yes, cell.dispensed)
        for (month, place), cell in cells.items()
        if cell.asked
    }
    found = {(month, place): tuple(numbers) for month, place, *numbers in ask(sql)}
    assert counted == found
    asked, answered, yes, given = (sum(numbers) for numbers in zip(*counted.values(), strict=True))
    assert asked > answered > yes > given > 0


def test_waits_messages_and_cleaning_are_what_plain_sql_counts(clinic: list[int]) -> None:
    cells = measured(clinic, today=TODAY)
    waits = """
        SELECT to_char(d.dispensed_on, 'YYYY-MM'), p.location_id, d.dispensed_on - a.contacted_on
        FROM resupply_dispenseline dl JOIN resupply_dispense d ON d.id = dl.dispense_id
        JOIN resupply_refillansweritem i ON i.id = dl.answer_item_id
        JOIN resupply_refillanswer a ON a.id = i.answer_id JOIN resupply_patient p ON p.id = d.patient_id
        WHERE d.voided_at IS NULL AND dl.voided_at IS NULL AND dl.exchange_of_id IS NULL"""
    by: dict[tuple[str, int], Counter[int]] = {}
    for month, place, days in ask(waits):
        by.setdefault((month, place), Counter())[days] += 1
    assert {(f"{m:%Y-%m}", p): cell.waits for (m, p), cell in cells.items() if cell.waits} == by
    messages = """
        SELECT to_char(m.finished_at AT TIME ZONE l.time_zone, 'YYYY-MM'), p.location_id,
            sum((m.state = 'sent')::int), sum((m.state = 'failed')::int)
        FROM resupply_message m, resupply_patient p, resupply_location l
        WHERE p.id = m.patient_id AND l.id = p.location_id GROUP BY 1, 2"""
    sent = {(f"{m:%Y-%m}", p): (c.sent, c.failed) for (m, p), c in cells.items() if c.sent or c.failed}
    assert sent == {(month, place): (good, bad) for month, place, good, bad in ask(messages)}
    for month in months_until(TODAY)[-3:]:
        after = (month + timedelta(days=31)).replace(day=1)
        ticked = """SELECT count(DISTINCT patient_id) FROM resupply_cleaningtick
            WHERE voided_at IS NULL AND day >= %(month)s AND day < %(after)s"""
        links = """SELECT count(DISTINCT patient_id) FROM resupply_patientlink
            WHERE created_at < %(after)s::timestamp AT TIME ZONE 'UTC'
            AND (revoked_at IS NULL OR revoked_at >= %(month)s::timestamp AT TIME ZONE 'UTC')"""
        total = together(cells[month, place] for place in clinic)
        values = {"month": month, "after": after}
        assert (total.ticked, total.may_tick) == (ask(ticked, **values)[0][0], ask(links, **values)[0][0])
    assert together(cells.values()).ticked


def test_past_months_by_the_rules_equal_the_plans_of_their_last_day(clinic: list[int]) -> None:
    """What the job works out for February equals what the stored plans said at its end."""
    end = date(2026, 2, 28)
    at_noon = datetime(2026, 2, 28, 22, tzinfo=UTC)
    people = list(Patient.objects.values_list("pk", flat=True))
    plans.refresh_plans(people, now=at_noon)
    assert measures.keep_month(today=date(2026, 3, 1), now=NOW)
    assert not measures.keep_month(today=date(2026, 3, 2), now=NOW)
    kept = _kept()
    assert any(row[1] for row in kept.values())
    SupplyMonth.objects.all().delete()
    assert MARCH not in measures.missing_months(today=TODAY)
    make_patient(status="withdrawn")
    progress = Progress()
    measures.past_months({"months": ["2026-02-01"]}, progress, now=NOW)
    assert _kept() == kept
    assert progress.told == (len(people), len(people))
    assert end.replace(day=1) not in measures.missing_months(today=TODAY)
    assert not measures.keep_month(today=date(2026, 3, 4), now=NOW)


def _kept() -> dict[tuple[date, int], tuple[int, int, dict[str, int]]]:
    return {
        (row.month, row.location_id): (row.lines, row.in_supply, row.days_overdue)
        for row in SupplyMonth.objects.all()
    }


def test_months_and_quantiles() -> None:
    assert months_until(date(2026, 3, 31), number=4) == [
        date(2025, 12, 1),
        date(2026, 1, 1),
        date(2026, 2, 1),
        MARCH,
    ]
    assert quantile({}, 0.5) is None
    assert [quantile({1: 1, 5: 1, 9: 2}, part) for part in (0.25, 0.5, 0.51, 1.0)] == [1, 5, 9, 9]
    both = together([Cell(lines=2, waits=Counter({1: 1})), Cell(lines=3, waits=Counter({1: 2, 4: 1}))])
    assert (both.lines, both.waits) == (5, Counter({1: 3, 4: 1}))
    assert PlanLine.objects.count() == 0
