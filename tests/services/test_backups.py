"""Backup files: sealed so that no change goes unnoticed; the drill: back up, lose all, restore, compare."""

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import sha256
from io import StringIO
from pathlib import Path
from typing import Any

import psycopg
import pytest
import time_machine
from django.core.management import CommandError, call_command
from django.db import DatabaseError, connection
from django.test import Client
from django.urls import reverse
from hypothesis import given, settings
from hypothesis import strategies as st

from clinic.accounts.models import User
from clinic.servers import DATABASE_NAME
from resupply.models import Backup, EvidencePacket, Patient
from resupply.services import feeds, packets, seals
from resupply.services.backups import back_up, key_id
from resupply.services.backups.archive import ArchiveWriter, Head, Manifest, Table, looked_through
from resupply.services.backups.sealed import CHUNK, TAG, SealedWriter, unsealed
from resupply.services.errors import Refused
from tests.builders import NOW, make_packet, make_patient
from tests.cast import Cast, make_cast
from tests.demo_days import served_from
from tests.services.evidence import complete

KEY, OTHER = b"k" * 32, b"o" * 32
HEADER = 58
FORGERY_TOKEN = re.compile(rb"\b[A-Za-z0-9]{64}\b")


def sealed(text: bytes, key: bytes = KEY) -> bytes:
    file = io.BytesIO()
    writer = SealedWriter(file, key)
    writer.write(text)
    writer.close()
    return file.getvalue()


def opened(file: bytes, *keys: bytes) -> bytes:
    return b"".join(unsealed(io.BytesIO(file), keys or (KEY,)))


@pytest.mark.parametrize("length", [0, 1, CHUNK - 1, CHUNK, CHUNK + 1, 3 * CHUNK])
def test_what_is_sealed_opens_with_its_key_and_no_other(length: int) -> None:
    text = bytes(range(256)) * (length // 256 + 1)
    file = sealed(text[:length])
    assert opened(file, OTHER, KEY) == text[:length]
    assert (len(file) - HEADER) % (CHUNK + TAG) in {(length % CHUNK) + TAG, 0}
    with pytest.raises(Refused) as refused:
        opened(file, OTHER)
    assert refused.value.code == "wrong_key"
    assert key_id(KEY) in refused.value.message


@settings(max_examples=40, deadline=None)
@given(at=st.integers(0, HEADER + 2 * (CHUNK + TAG) + 116), bit=st.integers(0, 7))
def test_no_bit_can_be_changed(at: int, bit: int) -> None:
    file = bytearray(FILE)
    file[at] ^= 1 << bit
    with pytest.raises(Refused):
        opened(bytes(file))


@settings(max_examples=20, deadline=None)
@given(length=st.integers(0, HEADER + 2 * (CHUNK + TAG) + 116))
def test_no_length_but_the_whole_opens(length: int) -> None:
    with pytest.raises(Refused):
        opened(FILE[:length])
    with pytest.raises(Refused):
        opened(FILE + FILE[: length + 1])


FILE = sealed(b"a" * (2 * CHUNK + 101))
assert len(FILE) == HEADER + 2 * (CHUNK + TAG) + 117


def test_chunks_keep_their_order_and_their_file() -> None:
    size, body = CHUNK + TAG, FILE[HEADER:]
    one, two, last = body[:size], body[size : 2 * size], body[2 * size :]
    other = sealed(b"a" * (2 * CHUNK + 101))[HEADER:]
    for chunks in (
        [two, one, last],
        [one, last],
        [one, one, two, last],
        [one, two],
        [other[:size], two, last],
    ):
        with pytest.raises(Refused) as refused:
            opened(FILE[:HEADER] + b"".join(chunks))
        assert refused.value.code == "damaged"
    assert FILE[HEADER:] != other  # the same text: another salt


def test_an_archive_is_held_against_its_manifest() -> None:
    """The text is genuine, and still not believed where the manifest counts something else."""
    file = io.BytesIO()
    writer = ArchiveWriter(file, KEY, Head("2026-03-18T15:00:00+00:00", "A clinic", "18.1"))
    counted = writer.table(Table("t", ["a"]), iter([b"1\n", b"two\\nlines\n"]))
    assert counted.rows == 2
    writer.close(Manifest(["a.0001"], {"t": counted}))
    head, manifest = looked_through(io.BytesIO(file.getvalue()), [KEY])
    assert (head.clinic, manifest.rows, manifest.tables) == ("A clinic", 2, {"t": counted})

    file = io.BytesIO()
    writer = ArchiveWriter(file, KEY, head)
    writer.table(Table("t", ["a"]), iter([b"1\n"]))
    writer.close(Manifest(["a.0001"], {"t": counted}))
    with pytest.raises(Refused) as refused:
        looked_through(io.BytesIO(file.getvalue()), [KEY])
    assert (refused.value.code, "what its manifest says" in refused.value.message) == ("damaged", True)


# --- the drill

PAGES = ("home", "desk:book", "manager:overdue", "manager:packets", "stock:shelves")


@contextmanager
def new_database(name: str) -> Iterator[str]:
    """A database as `migrate` makes it, in which nobody has worked; its address."""
    given = connection.get_connection_params() | {"cursor_factory": None, "context": None}
    with psycopg.connect(**given | {"dbname": "postgres"}, autocommit=True) as server:
        server.execute(f'CREATE DATABASE "{name}" TEMPLATE {DATABASE_NAME}'.encode())
        try:
            where = f"host={given['host']}&port={given.get('port') or 5432}"
            yield f"postgresql://{given['user']}@/{name}?{where}"
        finally:
            server.execute(f'DROP DATABASE "{name}" WITH (FORCE)'.encode())


def seen(manager: User, patient: Patient, calendar: str) -> dict[str, bytes]:
    """Pages, the calendar and the papers of every packet, as a browser gets them; each packet is checked."""
    client = Client()
    client.force_login(manager)
    paths = [reverse(name) for name in PAGES]
    paths += [
        reverse(f"desk:{name}", args=[patient.public_id]) for name in ("patient", "history", "messages")
    ]
    paths.append(calendar)
    for packet in EvidencePacket.objects.all():
        assert packets.check_packet(packet).holds
        paths += [reverse(f"manager:packet_{kind}", args=[packet.public_id]) for kind in ("json", "pdf")]
    answers = {path: client.get(path) for path in paths}
    assert {path: one.status_code for path, one in answers.items() if one.status_code != 200} == {}
    return {path: FORGERY_TOKEN.sub(b"", one.content) for path, one in answers.items()}


@pytest.mark.django_db(transaction=True)
@time_machine.travel(NOW, tick=False)
def test_the_drill(tmp_path: Path, settings: Any) -> None:
    """Back up, lose everything, restore: the same pages, calendar and packets to the byte."""
    cast, given = make_cast(), complete()
    make_packet(given)
    calendar = feeds.subscribe(given.patient, feeds.Options(), by=None, now=NOW)
    where = cast.manager.user, given.patient, reverse("feed:calendar", args=[calendar.token])
    before = seen(*where)
    (seal,) = seals.seal_all(now=NOW)
    file = tmp_path / "clinic.backup"
    said = run("back_up", str(file))
    row = Backup.objects.get()
    assert (row.finished_at, row.file_size, row.error) == (NOW, file.stat().st_size, "")
    assert f"SHA-256 {sha256(file.read_bytes()).hexdigest()}" in said
    assert row.digest in said
    assert f"history 1 seals, newest {seal.digest}" in said
    assert file.stat().st_mode & 0o077 == 0
    assert b"Brandt" not in file.read_bytes()

    with new_database("restored") as url:
        refused_untouched(file, url, settings)
        said = run("restore_backup", str(file), "--into", url)
        assert f"{row.rows} rows of" in said
        assert "byte by byte" in said
        with pytest.raises(CommandError, match="not new"):
            run("restore_backup", str(file), "--into", url)
        Patient.objects.filter(pk=given.patient.pk).update(family_name="Lost")  # where nobody looks any more
        with served_from("restored"):
            checked = seals.check_seals(kept={seal.number: seal.digest})
            assert (checked.problems, checked.seals) == ([], 1)
            assert seen(*where) == before
            guarded_and_counting(cast)


def refused_untouched(file: Path, url: str, settings: Any) -> None:
    """A file that is damaged, cut or of another key writes nothing; nor does one into the clinic's own."""
    whole, bad = file.read_bytes(), file.with_name("bad.backup")
    for content in (whole[:-1], whole[: len(whole) // 2], whole[:-40] + b"\0" + whole[-39:], b"no backup"):
        bad.write_bytes(content)
        with pytest.raises(CommandError):
            run("restore_backup", str(bad), "--into", url)
    with pytest.raises(CommandError, match="exists"):
        run("back_up", str(file))
    with pytest.raises(CommandError, match="not new"):
        run("restore_backup", str(file), "--into", url.replace("restored", connection.settings_dict["NAME"]))
    mine = settings.BACKUP_KEYS
    settings.BACKUP_KEYS = [OTHER]
    with pytest.raises(CommandError, match="another key"):
        run("restore_backup", str(file), "--into", url)
    settings.BACKUP_KEYS = [OTHER, *mine]  # keys were changed since: the older one still opens it
    assert "The file is whole." in run("restore_backup", str(file), "--check")
    with psycopg.connect(url) as new:
        assert new.execute("SELECT count(*) FROM resupply_patient").fetchone() == (0,)


def guarded_and_counting(cast: Cast) -> None:
    """The restored database is a whole one: numbers go on, history is written and guarded, keys hold."""
    newest = Patient.objects.order_by("-pk")[0].pk
    assert make_patient(location=cast.north).pk > newest
    assert Patient.objects.order_by("-pk")[0].changes.count() == 1
    with connection.cursor() as cursor:
        cursor.execute("SELECT count(*) FROM pg_trigger WHERE NOT tgisinternal AND tgenabled <> 'O'")
        assert cursor.fetchone() == (0,)
        for query in (
            "UPDATE resupply_patientchange SET family_name = 'x'",
            "UPDATE resupply_patient SET location_id = 0",
        ):
            with pytest.raises(DatabaseError):
                cursor.execute(query + "; SET CONSTRAINTS ALL IMMEDIATE")


def run(*words: str) -> str:
    out = StringIO()
    call_command(*words, stdout=out)
    return out.getvalue()


@pytest.mark.django_db
def test_a_backup_that_breaks_off_leaves_no_file_and_says_so(tmp_path: Path, settings: Any) -> None:
    with pytest.raises(CommandError, match="No backup was made"):
        run("back_up", str(tmp_path / "nowhere" / "x.backup"))
    row = Backup.objects.get()
    assert (row.finished_at, row.error) == (None, "FileNotFoundError")
    assert list(tmp_path.iterdir()) == []
    settings.BACKUP_KEYS = []
    with pytest.raises(CommandError, match="BACKUP_KEY"):
        run("back_up", str(tmp_path / "x.backup"))


@pytest.mark.django_db
def test_two_backups_never_write_one_file(tmp_path: Path) -> None:
    file, half = tmp_path / "x.backup", tmp_path / "x.backup.unfinished"

    def refused() -> str:
        with pytest.raises(Refused) as told:
            back_up(file, key=KEY, clinic="A clinic", now=NOW, ended=lambda: NOW)
        return told.value.code

    half.write_bytes(b"another process writes here")
    assert (refused(), half.read_bytes()) == ("unfinished", b"another process writes here")
    half.rename(file)
    assert (refused(), file.read_bytes()) == ("exists", b"another process writes here")
    assert list(tmp_path.iterdir()) == [file]
    assert not Backup.objects.exists()
