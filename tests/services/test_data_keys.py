"""Contact data lies encrypted, is found by whole value or by the end of a number, and its key can be changed.

AES-GCM's own check values: test case 13 of the GCM specification (McGrew and Viega; from memory), which the
library has to give; the keyed hash is worked out a second time here.
"""

import base64
import hashlib
import hmac
import threading
from io import StringIO
from typing import Any

import pytest
from allauth.mfa.models import Authenticator
from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from django.core.exceptions import FieldError
from django.core.management import CommandError, call_command
from django.db import IntegrityError, connection, transaction
from django.db.models import Exists, OuterRef

from clinic.accounts import adapter, second
from clinic.accounts.adapter import SecondSteps
from resupply.models import BadAddress, FindToken, Message, Patient
from resupply.models.encrypted import blind, decrypt, encrypt, key_id
from resupply.queries.finding import find_patients
from resupply.queries.inbound import candidates
from resupply.queries.seal_check import check
from resupply.services import data_keys
from resupply.services.seals import seal_all
from tests.builders import NOW, TODAY, make_patient
from tests.cast import Cast
from tests.waiting import wait_for_a_waiter

pytestmark = pytest.mark.django_db
NEW = bytes(range(32))


def stored(table: str = "resupply_patient") -> list[str]:
    """What lies in the database."""
    with connection.cursor() as cursor:
        cursor.execute(f"SELECT phone || ' ' || email || ' ' || address FROM {table} ORDER BY 1")  # noqa: S608
        return [text for (text,) in cursor.fetchall()]


def marks_of_history() -> set[str]:
    """What seals hash in place of telephone numbers and addresses."""
    return {value.split(":")[3] for row in stored("resupply_patientchange") for value in row.split()}


def message_to(patient: Patient, address: str) -> Message:
    return Message.objects.create(
        patient=patient,
        channel="mail",
        day=TODAY,
        created_at=NOW,
        not_before=NOW,
        expires_at=NOW,
        address=address,
    )


def test_the_cipher_is_aes_256_gcm() -> None:
    assert AESGCM(bytes(32)).encrypt(bytes(12), b"", None).hex() == "530f8afbc74536b9a963b4f1c4cb738b"


def test_a_value_is_sealed_bound_to_its_key_and_hash_and_never_twice_the_same(settings: Any) -> None:
    one, other = encrypt("+1 303 555 0142"), encrypt("+1 303 555 0142")
    assert one != other
    assert decrypt(one) == decrypt(other) == "+1 303 555 0142"
    keys = settings.DATA_KEYS[0], settings.INDEX_KEYS[0]
    assert one.split(":")[:3] == ["enc1", key_id(*keys), blind("+1 303 555 0142")]
    by_hand = hmac.new(settings.INDEX_KEYS[0], b"value:+1 303 555 0142", hashlib.sha256).digest()[:16]
    assert blind("+1 303 555 0142") == base64.urlsafe_b64encode(by_hand).decode().rstrip("=")
    for part in (2, 3):  # its keyed hash, its mark
        moved = one.split(":")
        moved[part] = other.split(":")[3] if part == 3 else blind("x")
        with pytest.raises(InvalidTag):
            decrypt(":".join(moved))
    settings.DATA_KEYS = [NEW]
    with pytest.raises(LookupError, match="have no pair"):
        decrypt(one)
    assert (encrypt(""), decrypt("plain")) == ("", "plain")


def test_no_table_holds_a_number_or_an_address_that_can_be_read(cast: Cast) -> None:
    Patient.objects.filter(pk=cast.odalys.pk).update(address="14 Alder Row\nJuniper Bend")
    for table in ("resupply_patient", "resupply_patientchange"):
        whole = " ".join(stored(table))
        assert "enc1:" in whole
        assert not any(part in whole for part in ("555", "@", "Alder"))
    with connection.cursor() as cursor:
        cursor.execute("SELECT string_agg(token, ' ') FROM resupply_findtoken")
        tokens = cursor.fetchone()[0]
    assert "brandt" in tokens
    assert not any(part in tokens for part in ("0142", "3035550142"))
    read = Patient.objects.get(pk=cast.odalys.pk)
    assert (read.phone, read.email) == ("+1 303 555 0142", "odalys@patients.example")
    assert read.address == "14 Alder Row\nJuniper Bend"
    assert Patient.changes.rel.related_model.objects.latest("pk").address == read.address


def test_whole_values_are_found_and_columns_compared_and_nothing_else_is_looked_up(cast: Cast) -> None:
    found = Patient.objects.filter(email="odalys@patients.example")
    assert list(found) == [cast.odalys]
    assert list(Patient.objects.filter(email="")) == [cast.tevin]
    assert list(Patient.objects.exclude(email="")) == [cast.odalys]
    both = ["+1 303 555 0142", "+1 312 555 0177"]
    assert Patient.objects.filter(phone__in=both).count() == 2
    bad = BadAddress(patient=cast.odalys, channel="mail", address="odalys@patients.example", since=NOW)
    bad.message = message_to(cast.odalys, "odalys@patients.example")
    bad.save()
    is_bad = Exists(BadAddress.objects.filter(patient=OuterRef("pk"), address=OuterRef("email")))
    assert list(Patient.objects.filter(is_bad)) == [cast.odalys]
    bad.pk = None
    with pytest.raises(IntegrityError), transaction.atomic():
        bad.save(force_insert=True)
    for lookup in ("contains", "iexact", "startswith", "gt"):
        with pytest.raises(FieldError):
            Patient.objects.filter(**{f"email__{lookup}": "x"})


@pytest.mark.parametrize(
    "typed", ["0142", "555 0142", "5550142", "(303) 555-0142", "+1 303 555 0142", "odal 0142", "303.555.0142"]
)
def test_a_number_is_found_by_its_end_however_it_is_spelled(cast: Cast, typed: str) -> None:
    people = find_patients(Patient.objects.all(), typed.split())
    assert people == [cast.odalys]


def test_the_key_is_changed_while_the_site_runs_and_history_still_holds(cast: Cast, settings: Any) -> None:
    for number in range(3):
        make_patient(location=cast.north, phone=f"+1 303 555 020{number}")
    seal_all(now=NOW)
    old = settings.DATA_KEYS[0]
    settings.DATA_KEYS = [NEW, old]
    history = Patient.changes.rel.related_model.objects.count()
    before = data_keys.left()
    assert before >= 10
    assert list(Patient.objects.filter(phone="+1 303 555 0142")) == [cast.odalys]  # between the keys
    first = data_keys.columns()[0]
    assert data_keys._rotate(first, batch=1) + data_keys.rotate(batch=2) == before
    assert (data_keys.left(), data_keys.rotate()) == (0, 0)
    settings.DATA_KEYS = [NEW]
    begins = f"enc1:{key_id(NEW, settings.INDEX_KEYS[0])}:"
    assert all(begins in text for text in stored() + stored("resupply_patientchange"))
    assert Patient.objects.get(pk=cast.odalys.pk).phone == "+1 303 555 0142"
    assert Patient.changes.rel.related_model.objects.count() == history
    assert check().problems == []
    out = StringIO()
    call_command("rotate_data_keys", stdout=out)
    assert "0 values encrypted anew." in out.getvalue()


def test_the_index_key_is_changed_while_people_search_and_history_still_holds(
    cast: Cast, settings: Any
) -> None:
    second.set_app(cast.desk.user, "JBSWY3DPEHPK3PXP", now=NOW)
    ((before,),) = Authenticator.objects.values_list("data__secret")
    seal_all(now=NOW)
    marks = marks_of_history()
    old = settings.INDEX_KEYS[0]
    settings.INDEX_KEYS = [NEW, old]

    def is_found(number: str = "0142") -> bool:
        by_value = list(Patient.objects.filter(phone="+1 303 555 0142"))
        assert by_value == list(Patient.objects.filter(phone__in=["+1 303 555 0142", "no"]))
        assert by_value == list(candidates("+13035550142"))
        return find_patients(Patient.objects.all(), [number]) == by_value == [cast.odalys]

    assert is_found()  # between the keys
    assert SecondSteps().decrypt(before) == "JBSWY3DPEHPK3PXP"
    before_it = data_keys.left()
    assert data_keys.rotate(batch=2) == before_it >= 7
    assert (data_keys.left(), data_keys.rotate()) == (0, 0)
    assert is_found()
    settings.INDEX_KEYS = [NEW]  # the old one is gone
    assert is_found()
    assert marks == marks_of_history() != set()
    assert (check().problems, list(data_keys.unsound())) == ([], [])
    ((after,),) = Authenticator.objects.values_list("data__secret")
    assert SecondSteps().decrypt(after) == "JBSWY3DPEHPK3PXP"
    settings.INDEX_KEYS = [old]
    with pytest.raises(InvalidTag):
        SecondSteps().decrypt(after)


@pytest.mark.django_db(transaction=True)
def test_a_second_step_that_is_removed_meanwhile_stops_no_change_of_keys(cast: Cast, settings: Any) -> None:
    second.set_app(cast.desk.user, "JBSWY3DPEHPK3PXP", now=NOW)
    settings.INDEX_KEYS = [NEW, *settings.INDEX_KEYS]
    done: list[int] = []

    def rotate() -> None:
        try:
            done.append(adapter.rotate())
        finally:
            connection.close()

    with transaction.atomic():
        Authenticator.objects.all().delete()
        thread = threading.Thread(target=rotate)
        thread.start()
        wait_for_a_waiter()
    thread.join(30)
    assert done == [0]


def test_values_from_before_there_were_keys_are_said_to_be_plain_and_not_to_be_unsound(cast: Cast) -> None:
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE resupply_patient SET phone = '+1 303 555 0142' WHERE id = %s", [cast.odalys.pk]
        )
        cursor.execute("SELECT count(*) FROM resupply_patientchange WHERE phone LIKE '+1%'")
        of_history = cursor.fetchone()[0]
    out = StringIO()
    with pytest.raises(CommandError):
        call_command("rotate_data_keys", "--check", stdout=out)
    told = f"0 values lie under older keys, {1 + of_history} are not encrypted, 0 are unsound.\n"
    assert out.getvalue() == told
    call_command("rotate_data_keys", stdout=out)
    assert out.getvalue().endswith("0 values lie under older keys, 0 are not encrypted, 0 are unsound.\n")


def test_a_value_put_in_place_of_another_shows(cast: Cast) -> None:
    taken = encrypt("+1 900 555 0100")
    with connection.cursor() as cursor:
        cursor.execute(
            "UPDATE resupply_patient SET phone = regexp_replace(phone, '[^:]*$', %s)",
            [taken.rpartition(":")[2]],
        )
    out = StringIO()
    with pytest.raises(CommandError):
        call_command("rotate_data_keys", "--check", stdout=out)
    assert f"resupply_patient.phone, row {cast.odalys.pk}" in out.getvalue()
    assert "0100" not in out.getvalue()
    assert FindToken.objects.filter(patient=cast.odalys).exists()
