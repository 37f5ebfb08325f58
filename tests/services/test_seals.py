"""Seals over change history: what somebody with the database's own password changes shows, and nothing else
does.

The hash of a row is worked out a second time here, by Python's own hashlib over PostgreSQL's text of the row.
"""

# ruff: noqa: S608 - tables and statements of this file

import hashlib
import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime, timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.db.utils import ProgrammingError

from resupply.models import HistorySeal, Patient
from resupply.queries.seal_check import check, newest_seal, problems
from resupply.services.seals import seal, seal_all
from tests.builders import NOW, make_location, make_patient
from tests.cast import Cast
from tests.waiting import wait_for_a_waiter

pytestmark = pytest.mark.django_db
LATER = timedelta(minutes=1)
HOUR = timedelta(hours=1)
CHANGES = "resupply_patientchange"


def sql(text: str, *values: object) -> list[tuple[object, ...]]:
    """Run a statement as the database's owner would."""
    with connection.cursor() as cursor:
        cursor.execute(text, values)
        return cursor.fetchall() if cursor.description else []


@contextmanager
def triggers_off() -> Iterator[None]:
    """What an owner of the database can do, and the triggers cannot prevent."""
    sql("SET LOCAL session_replication_role = replica")
    yield
    sql("SET LOCAL session_replication_role = origin")


def codes(kept: dict[int, str] | None = None) -> set[str]:
    return {problem.code for problem in check(kept=kept).problems}


def three_seals() -> list[HistorySeal]:
    made = []
    for number in range(3):
        patient = make_patient(reference=f"90{number}", location=make_location(name=f"Room {number}"))
        Patient.objects.filter(pk=patient.pk).update(
            given_name="Ada"
        )  # not by a service: the trigger sees it
        made += [seal(now=NOW + number * LATER)]
    return [one for one in made if one is not None]


def test_an_untouched_history_holds_and_nothing_new_makes_no_seal() -> None:
    made = three_seals()
    assert [one.number for one in made] == [1, 2, 3]
    assert seal(now=NOW + HOUR) is None
    found = check(kept={made[1].number: made[1].digest})
    assert (found.problems, found.seals, found.waiting) == ([], 3, 0)
    assert found.newest == newest_seal() == (3, made[2].digest)
    assert found.rows == sum(
        entry["rows"] for one in made for entry in json.loads(one.body)["tables"].values()
    )


def test_the_hash_of_a_row_is_sha_256_of_its_text() -> None:
    make_patient(reference="901")
    body = json.loads(seal(now=NOW).body)  # type: ignore[union-attr] # there is something to seal
    entry = body["tables"][CHANGES]
    names = [name for (name,) in sql(
        "SELECT column_name::text FROM information_schema.columns WHERE table_name = %s"
        " AND table_schema = 'public' ORDER BY column_name COLLATE \"C\"", CHANGES
    )]  # fmt: skip
    sql("SET LOCAL TimeZone = 'UTC'")
    quoted = ", ".join(f'"{name}"' for name in names)
    rows = sql(f"SELECT ROW({quoted})::text FROM {CHANGES} ORDER BY pgh_id")
    by_hand = hashlib.sha256(b"".join(hashlib.sha256(str(text).encode()).digest() for (text,) in rows))
    assert entry["sha256"] == by_hand.hexdigest()


@pytest.mark.parametrize(
    ("what", "code"),
    [
        (f"UPDATE {CHANGES} SET given_name = 'Adb' WHERE reference = '901'", "rows_changed"),
        (f"UPDATE {CHANGES} SET pgh_context_id = gen_random_uuid() WHERE reference = '901'", "rows_changed"),
        (f"DELETE FROM {CHANGES} WHERE reference = '901'", "rows_missing"),
        ("UPDATE resupply_historyseal SET body = replace(body, '9', '8') WHERE number = 2", "seal_edited"),
        ("UPDATE resupply_historyseal SET sealed_at = sealed_at + interval '1 s'", "seal_edited"),
        (
            "UPDATE resupply_historyseal SET body = body || ' ',"
            " digest = encode(sha256(convert_to(body || ' ', 'UTF8')), 'hex') WHERE number = 2",
            "chain_broken",
        ),
        ("DELETE FROM resupply_historyseal WHERE number = 2", "seal_missing"),
        ("DELETE FROM resupply_historyseal WHERE number = 1", "seal_missing"),
        (f"ALTER TABLE {CHANGES} RENAME COLUMN given_name TO first_name", "columns_missing"),
        ("UPDATE resupply_historylayout SET columns = columns - 'given_name'", "layout_edited"),
    ],
)  # fmt: skip
def test_what_an_owner_of_the_database_changes_shows(what: str, code: str) -> None:
    three_seals()
    assert codes() == set()
    with triggers_off():
        sql(what)
    assert code in codes()


def test_a_row_added_among_sealed_ones_shows_and_a_later_seal_does_not_cover_for_it() -> None:
    three_seals()
    columns = ", ".join(name for (name,) in sql(  # type: ignore[misc] # names are text
        "SELECT column_name::text FROM information_schema.columns WHERE table_name = %s AND"
        " table_schema = 'public' AND column_name <> 'pgh_id'", CHANGES
    ))  # fmt: skip
    copy = f"INSERT INTO {CHANGES} (pgh_id, {columns}) SELECT %s, {columns} FROM {CHANGES} LIMIT 1"
    with triggers_off():
        sql(copy, -5)
    assert codes() == {"rows_added"}
    wide = json.dumps([[-9, 0, "2090-01-01T00:00:00+00:00"]])
    sql('UPDATE resupply_historymark SET open_gaps = %s WHERE "table" = %s', wide, CHANGES)
    assert seal(now=NOW + HOUR) is not None  # deceived by its own mark
    assert codes() == {"rows_added"}


def test_who_made_a_change_is_sealed_after_an_hour() -> None:
    with transaction.atomic():
        sql("INSERT INTO pghistory_context VALUES (gen_random_uuid(), %s, %s, '{\"user\": 7}')", NOW, NOW)
        assert seal(now=NOW + LATER) is None  # the request may still be under way
        assert seal(now=NOW + 2 * HOUR) is not None
    assert codes() == set()
    with triggers_off():
        sql("UPDATE pghistory_context SET metadata = '{\"user\": 8}'")
    assert codes() == {"contexts_changed"}


def test_the_ordinary_doors_are_shut(cast: Cast) -> None:
    seal(now=NOW)
    sql("INSERT INTO pghistory_context VALUES (gen_random_uuid(), %s, %s, '{\"user\": 7}')", NOW, NOW)
    for statement in (
        "UPDATE resupply_historyseal SET number = 9",
        "DELETE FROM resupply_historyseal",
        "DELETE FROM resupply_historylayout",
        f"UPDATE {CHANGES} SET given_name = 'x'",
        f"DELETE FROM {CHANGES}",
        "DELETE FROM pghistory_context",
        "UPDATE pghistory_context SET metadata = '{}'",
    ):
        with pytest.raises(ProgrammingError), transaction.atomic():
            sql(statement)


def test_a_transaction_under_way_comes_into_a_later_seal_and_a_rolled_back_one_leaves_a_gap() -> None:
    """Numbers are given out before commit; here a row is moved behind its number to stand for that."""
    patient = make_patient(reference="901")
    seal_all(now=NOW)
    in_flight = int(str(sql(f"SELECT nextval(pg_get_serial_sequence('{CHANGES}', 'pgh_id'))")[0][0]))
    rolled_back = int(str(sql(f"SELECT nextval(pg_get_serial_sequence('{CHANGES}', 'pgh_id'))")[0][0]))
    Patient.objects.filter(pk=patient.pk).update(given_name="Bea")
    seal_all(now=NOW + LATER)
    Patient.objects.filter(pk=patient.pk).update(given_name="Cyd")
    newest = sql(f"SELECT max(pgh_id) FROM {CHANGES}")[0][0]
    with triggers_off():
        sql(f"UPDATE {CHANGES} SET pgh_id = %s WHERE pgh_id = %s", in_flight, newest)
    assert check().waiting == 1
    late = seal(now=NOW + 2 * LATER)
    assert late is not None
    assert json.loads(late.body)["tables"][CHANGES]["spans"] == [[in_flight, in_flight]]
    assert codes() == set()
    Patient.objects.filter(pk=patient.pk).update(given_name="Dot")
    seal_all(now=NOW + 2 * HOUR)
    newest = sql(f"SELECT max(pgh_id) FROM {CHANGES}")[0][0]
    with triggers_off():  # the gap of the rolled back one is closed by now
        again = f"(jsonb_populate_record(one, jsonb_build_object('pgh_id', {rolled_back}))).*"
        sql(f"INSERT INTO {CHANGES} SELECT {again} FROM {CHANGES} one WHERE pgh_id = %s", newest)
    assert codes() == {"rows_added"}
    assert any(str(rolled_back) in line for line in problems(check()))


def test_a_seal_gone_from_the_end_shows_by_a_hash_kept_outside() -> None:
    made = three_seals()
    kept = {3: made[2].digest}
    with triggers_off():
        sql("DELETE FROM resupply_historyseal WHERE number = 3")
    assert codes() == {"mark_off"}
    assert codes(kept) == {"mark_off", "seal_gone"}
    sql("DELETE FROM resupply_historymark")  # and who hides that as well has everything sealed again
    seal(now=NOW + 9 * LATER)
    assert "not_as_kept" in codes(kept)


def test_many_rows_come_into_several_seals(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("resupply.services.seals.ROWS_A_SEAL", 2)
    for number in range(3):
        make_patient(reference=f"90{number}", location=make_location(name=f"Room {number}"))
    assert len(seal_all(now=NOW)) == 2
    assert (codes(), check().waiting) == (set(), 0)


@pytest.mark.django_db(transaction=True)
def test_the_command_waits_for_whoever_is_at_it_and_seals_what_came_since() -> None:
    """What it prints is kept outside: it has to cover all that was there when it was asked."""
    make_patient(reference="901")
    out = StringIO()

    def command() -> None:
        try:
            call_command("seal_history", stdout=out)
        finally:
            connection.close()

    with transaction.atomic():
        first = seal(now=NOW)
        thread = threading.Thread(target=command)
        thread.start()
        wait_for_a_waiter()
        make_patient(reference="902")
    thread.join(30)
    found = check()
    assert (first is not None, found.seals, found.waiting, found.problems) == (True, 2, 0, [])
    assert out.getvalue().strip() == ":".join(map(str, found.newest or ()))


def test_the_commands_say_what_to_keep_and_fail_on_a_change() -> None:
    make_patient(reference="901")
    out = StringIO()
    call_command("seal_history", stdout=out)
    line = out.getvalue().strip()
    assert newest_seal() == (int(line.split(":")[0]), line.split(":")[1])
    call_command("verify_history", "--kept", line, stdout=out)
    assert "1 seals over" in out.getvalue()
    with triggers_off():
        sql(f"UPDATE {CHANGES} SET given_name = 'Adb'")
    with pytest.raises(CommandError):
        call_command("verify_history", stdout=out)
    assert f"{CHANGES}: a row was changed after it was sealed" in out.getvalue()
    assert "Adb" not in out.getvalue()
    with pytest.raises(CommandError):
        call_command("verify_history", "--kept", "1:short", stdout=out)


def test_zone_of_the_connection_does_not_matter() -> None:
    made: datetime = NOW
    make_patient(reference="901")
    sql("SET LOCAL TimeZone = 'Pacific/Auckland'")
    seal(now=made)
    sql("SET LOCAL TimeZone = 'America/Chicago'")
    assert codes() == set()
