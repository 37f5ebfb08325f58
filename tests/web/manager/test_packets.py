"""Pages of evidence packets: made from the slip, listed, opened, checked."""

import json
from collections.abc import Callable
from hashlib import sha256

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse

from resupply.models import Dispense, EvidencePacket, Location
from tests.builders import TODAY, make_dispense, make_packet, make_patient
from tests.services.evidence import complete
from tests.web.pages import text

pytestmark = pytest.mark.django_db


def test_from_the_slip_to_the_packet_and_its_files(signed_in: Callable[[str], Client]) -> None:
    given, manager = complete(), signed_in("manager")
    new = reverse("manager:packet_new", args=[given.public_id])
    assert new in manager.get(reverse("desk:slip", args=[given.public_id])).content.decode()
    assert manager.get(new).status_code == 200
    assert EvidencePacket.objects.count() == 0
    answer = manager.post(new)
    packet = EvidencePacket.objects.get()
    assert answer["Location"] == reverse("manager:packet", args=[packet.public_id])
    page = text(manager.get(answer["Location"]))
    assert f"Evidence packet {packet.name} made." in page
    assert "Nothing of what a packet looks for is missing." in page
    pdf = manager.get(reverse("manager:packet_pdf", args=[packet.public_id]))
    assert (pdf["Content-Type"], pdf["Cache-Control"]) == ("application/pdf", "no-store")
    assert sha256(pdf.content).hexdigest() == packet.paper_sha256
    found = manager.get(reverse("manager:packet_json", args=[packet.public_id]))
    assert sha256(found.content).hexdigest() == packet.document_sha256
    assert json.loads(found.content)["packet"]["asked_by"] == "marta"
    assert packet.name in text(manager.get(reverse("manager:packets")))
    assert packet.name in text(manager.get(reverse("desk:slip", args=[given.public_id])))
    check = reverse("manager:packet_check", args=[packet.public_id])
    assert "It holds." in text(manager.get(check))
    with connection.cursor() as cursor:
        cursor.execute("UPDATE resupply_dispenseline SET lot = 'L78' WHERE lot = 'L77'")
    page = text(signed_in("therapist").get(check))
    assert "It does not hold." in page
    line = given.lines.get()
    assert f"dispense line {line.pk} lot was changed after the packet was made." in page


def test_the_desk_sees_no_packets_on_the_slip(signed_in: Callable[[str], Client]) -> None:
    given = complete()
    packet = make_packet(given)
    slip = reverse("desk:slip", args=[given.public_id])
    assert signed_in("desk").get(slip).status_code == 404  # Ines works in another room
    given.patient.location = Location.objects.get(name="North room")
    given.patient.save()
    assert "Evidence packet" not in signed_in("desk").get(slip).content.decode()
    page = signed_in("therapist").get(slip).content.decode()
    assert packet.name in page
    assert reverse("manager:packet_new", args=[given.public_id]) not in page


def test_a_dispense_is_found_by_reference_and_day(signed_in: Callable[[str], Client]) -> None:
    manager, find = signed_in("manager"), reverse("manager:packet_find")
    patient = make_patient(reference="R-7")
    one = make_dispense(patient, on=TODAY)
    make_dispense(patient, on=TODAY, supplied_by="elsewhere")
    answer = manager.post(find, {"reference": "R-7", "on": TODAY.isoformat()})
    assert answer["Location"] == reverse("manager:packet_new", args=[one.public_id])
    none = manager.post(find, {"reference": "R-8", "on": "2026-03-18"})
    assert "No dispense of this clinic" in text(none)
    two = make_dispense(patient, on=TODAY)
    page = text(manager.post(find, {"reference": "R-7", "on": TODAY.isoformat()}))
    assert one.number in page
    assert two.number in page
    assert manager.post(find, {"reference": "", "on": "x"}).status_code == 422


def test_what_another_supplier_gave_has_no_packet(signed_in: Callable[[str], Client]) -> None:
    given: Dispense = make_dispense(make_patient(), supplied_by="elsewhere")
    manager = signed_in("manager")
    assert manager.post(reverse("manager:packet_new", args=[given.public_id])).status_code == 404
    assert (
        reverse("manager:packet_new", args=[given.public_id])
        not in manager.get(reverse("desk:slip", args=[given.public_id])).content.decode()
    )
