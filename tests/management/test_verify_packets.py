"""The command that checks every packet."""

from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from tests.builders import make_packet
from tests.services.evidence import bare, complete

pytestmark = pytest.mark.django_db


def test_it_names_what_differs_without_a_word_about_a_person() -> None:
    make_packet(bare())
    packet = make_packet(complete())
    out = StringIO()
    call_command("verify_packets", stdout=out)
    assert out.getvalue() == "2 packets hold, 0 do not.\n"
    with connection.cursor() as cursor:
        cursor.execute("UPDATE resupply_proof SET signed_by = 'Somebody Else'")
    out = StringIO()
    with pytest.raises(CommandError, match="Not every packet holds"):
        call_command("verify_packets", stdout=out)
    proof = packet.dispense.proofs.get()
    assert out.getvalue() == (
        f"{packet.name}: edited: proof {proof.pk} signed_by\n1 packets hold, 1 do not.\n"
    )
    out = StringIO()
    call_command("verify_packets", "E000001", stdout=out)
    assert out.getvalue() == "1 packets hold, 0 do not.\n"
    with pytest.raises(CommandError, match="no packet's number"):
        call_command("verify_packets", "12a")
