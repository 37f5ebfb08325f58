"""Packets made while others write, on connections of their own: complete below their marks, and numbered."""

import json
import threading
from datetime import timedelta

import pytest
from django.db import transaction

from resupply.models import EvidencePacket, Location
from resupply.services import corrections, packets, plans
from tests.builders import NOW, make_dispense, make_packet, make_patient
from tests.services.evidence import bare
from tests.services.test_at_once import at_once

pytestmark = pytest.mark.django_db(transaction=True)


def test_two_at_once_take_two_numbers() -> None:
    one, two = (make_dispense(make_patient()) for _ in range(2))
    names = at_once(lambda: make_packet(one).name, lambda: make_packet(two).name)
    assert sorted(map(str, names)) == ["E000001", "E000002"]


def test_a_writer_under_way_is_waited_for_though_it_began_before() -> None:
    """Its moment and its transaction lie before the packet's, its rows come after: no time could tell."""
    given, begun, asked = bare(), threading.Event(), threading.Event()

    def void() -> None:
        with transaction.atomic():
            plans.lock_patients([given.patient_id])
            begun.set()
            assert asked.wait(10)
            corrections.void_dispense(given, reason="a slip", by=None, now=NOW)

    def make() -> None:
        assert begun.wait(10)
        asked.set()
        make_packet(given, now=NOW + timedelta(minutes=1))

    at_once(void, make)
    packet = EvidencePacket.objects.get()
    assert ["void", ""] in json.loads(packets.document_of(packet))["missing"]
    assert packets.check_packet(packet).holds


def test_a_place_renamed_meanwhile_is_in_it_or_not_and_stays_so() -> None:
    given = bare()
    at_once(
        lambda: Location.objects.filter(pk=given.location_id).update(name="East room"),
        lambda: make_packet(given),
    )
    assert packets.check_packet(EvidencePacket.objects.get()).holds
