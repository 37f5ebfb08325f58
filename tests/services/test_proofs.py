"""Proof of delivery: who may sign, what is asked of each kind of record, and that nothing deletes it."""

from datetime import date, timedelta
from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from django.db.models import ProtectedError

from resupply.models import Dispense, Proof, ProofMethod
from resupply.queries.slips import slip_of
from resupply.services.corrections import void_dispense
from resupply.services.errors import Refused
from resupply.services.proofs import NewProof, record_proof, void_proof
from tests.builders import NOW, TODAY, make_dispense, make_patient, make_staff
from tests.cast import Cast

YESTERDAY, TOMORROW = TODAY - timedelta(days=1), TODAY + timedelta(days=1)


@pytest.fixture
def parcel(cast: Cast) -> Dispense:
    """Shipped to Odalys yesterday."""
    return make_dispense(cast.odalys, on=YESTERDAY, given="shipped", tracking_id="PP-1")


@pytest.fixture
def handed(cast: Cast) -> Dispense:
    """Handed to Odalys today."""
    return make_dispense(cast.odalys, on=TODAY)


def prove(dispense: Dispense, **over: Any) -> Proof:
    values: dict[str, Any] = {
        "method": ProofMethod.SIGNED,
        "delivered_on": dispense.dispensed_on,
        "signed_by": "Jan Brandt",
        "relation": "spouse",
    }
    return record_proof(dispense, NewProof(**values | over), by=None, now=NOW)


def refused(dispense: Dispense, **over: Any) -> tuple[str, str | None]:
    """How it is refused: code and field. Nothing is written."""
    before = Proof.objects.count()
    with pytest.raises(Refused) as refusal:
        prove(dispense, **over)
    assert Proof.objects.count() == before
    return refusal.value.code, refusal.value.field


def test_a_signed_slip_is_proof(handed: Dispense) -> None:
    proof = prove(handed, signed_by="  Jan  Brandt ", relation=" spouse ")
    assert (proof.signed_by, proof.relation, proof.delivered_on) == ("Jan Brandt", "spouse", TODAY)
    assert slip_of(handed).proof == proof


@pytest.mark.parametrize(
    ("over", "expected"),
    [
        # Check value: a signer whose relation is "supplier employee" is refused (42 CFR 424.57(c)(12) as the
        # supplier contractors' pages on proof of delivery read it).
        ({"relation": "supplier employee"}, ("staff_signed", "relation")),
        ({"relation": "Staff"}, ("staff_signed", "relation")),
        ({"signed_by": "Inés MARLOW", "relation": "neighbour"}, ("staff_signed", "signed_by")),
        ({"signed_by": " "}, ("signer_missing", "signed_by")),
        ({"relation": ""}, ("relation_missing", "relation")),
        ({"method": ProofMethod.FACILITY, "signed_by": "", "relation": ""}, ("record_missing", "record")),
        ({"method": ProofMethod.CARRIER, "record": "x"}, ("not_shipped", "method")),
        ({"delivered_on": YESTERDAY}, ("before_dispense", "delivered_on")),
        ({"delivered_on": TOMORROW}, ("future", "delivered_on")),
        ({"delivered_on": date(1950, 1, 1)}, ("before_birth", "delivered_on")),
    ],
)
def test_what_proves_nothing_is_refused(
    handed: Dispense, over: dict[str, Any], expected: tuple[str, str]
) -> None:
    make_staff(username="i", first_name="Ines", last_name="Marlow")
    assert refused(handed, **over) == expected


def test_a_member_of_staff_may_sign_for_their_own_parts(cast: Cast) -> None:
    make_staff(username="i", first_name="Ines", last_name="Marlow")
    own = make_dispense(make_patient(given_name="Ines", family_name="Marlow"), on=TODAY)
    assert prove(own, signed_by="Ines Marlow", relation="self").relation == "self"


def test_a_name_of_somebody_who_left_the_staff_may_sign(handed: Dispense) -> None:
    left = make_staff(username="i", first_name="Ines", last_name="Marlow", is_active=False)
    assert prove(handed, signed_by="Ines Marlow", relation="neighbour").signed_by == left.user.get_full_name()


def test_a_parcel_is_proved_by_the_carrier_or_at_the_door(parcel: Dispense) -> None:
    over: dict[str, Any] = {"method": ProofMethod.CARRIER, "signed_by": "", "relation": ""}
    assert refused(parcel, **over) == ("record_missing", "record")
    proof = prove(parcel, record="delivered 14:02, front door", delivered_on=TODAY, **over)
    assert proof.carrier_record == "delivered 14:02, front door"
    void_proof(proof, reason="another parcel", by=None, now=NOW)
    assert prove(parcel, delivered_on=TODAY).method == "signed"


def test_what_was_handed_over_is_signed_for_that_day(cast: Cast) -> None:
    earlier = make_dispense(cast.odalys, on=YESTERDAY)
    assert refused(earlier, delivered_on=TODAY) == ("other_day", "delivered_on")


def test_one_proof_stands_and_a_void_keeps_it_readable(handed: Dispense) -> None:
    first = prove(handed)
    assert refused(handed) == ("proved_already", None)
    with pytest.raises(Refused) as missing:
        void_proof(first, reason=" ", by=None, now=NOW)
    assert missing.value.code == "reason_missing"
    void_proof(first, reason="another patient's slip", by=None, now=NOW)
    second = prove(handed)
    slip = slip_of(handed)
    assert (slip.proof, slip.voided_proofs) == (second, (first,))
    with pytest.raises(Refused) as again:
        void_proof(first, reason="twice", by=None, now=NOW)
    assert again.value.code == "already_void"


def test_what_is_void_or_came_from_elsewhere_is_not_signed_for(cast: Cast, handed: Dispense) -> None:
    void_dispense(handed, reason="slip", by=None, now=NOW)
    assert refused(handed)[0] == "dispense_void"
    assert refused(make_dispense(cast.odalys, on=TODAY, supplied_by="elsewhere"))[0] == "given_elsewhere"


@pytest.mark.parametrize(
    ("on", "delivered", "kept"),
    [
        # Seven years from the date of service; of a parcel, from the later of ship date and arrival (ours).
        (date(2024, 2, 29), None, date(2031, 2, 28)),
        (date(2024, 2, 28), date(2024, 2, 29), date(2031, 2, 28)),
        (date(2024, 2, 27), date(2024, 3, 1), date(2031, 3, 1)),
    ],
)
def test_how_long_it_is_kept(cast: Cast, on: date, delivered: date | None, kept: date) -> None:
    dispense = make_dispense(cast.odalys, on=on, given="shipped")
    if delivered:
        prove(dispense, delivered_on=delivered)
    assert slip_of(dispense).kept_until == kept


def test_a_dispense_with_proof_cannot_be_deleted(handed: Dispense) -> None:
    """Neither through the models nor behind them."""
    proof = prove(handed)
    handed.lines.all().delete()
    with pytest.raises(ProtectedError):
        handed.delete()
    with pytest.raises(IntegrityError), transaction.atomic():
        delete_behind_the_models(handed)
    assert Proof.objects.get() == proof


def delete_behind_the_models(dispense: Dispense) -> None:
    with connection.cursor() as cursor:
        cursor.execute("DELETE FROM resupply_dispense WHERE id = %s", [dispense.pk])
        cursor.execute("SET CONSTRAINTS ALL IMMEDIATE")
