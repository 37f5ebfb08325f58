"""The leads that a packet names are those that plans of its day follow, whoever chose them."""

import json
from datetime import date, timedelta

import pytest

from resupply.models import RefillRuleVersion
from resupply.queries import facts
from resupply.rules.lines import Terms
from resupply.rules.refills import rule_for
from resupply.services import packets
from tests.builders import NOW, TODAY, make_dispense, make_packet, make_patient, make_payer

pytestmark = pytest.mark.django_db
BEFORE, AFTER = TODAY - timedelta(days=9), TODAY + timedelta(days=9)
CASES: list[tuple[str, list[date], list[date], str, tuple[int, int]]] = [
    ("own", [BEFORE], [BEFORE], "Payer E", (20, 5)),
    ("own", [], [BEFORE], "clinic", (21, 6)),
    ("own", [], [], "shipped", (30, 10)),
    ("own", [AFTER], [BEFORE], "Payer E", (20, 5)),
    ("clinic", [BEFORE], [AFTER], "clinic", (21, 6)),
    ("clinic", [BEFORE], [], "shipped", (30, 10)),
    ("shipped", [BEFORE], [BEFORE], "published", (30, 10)),
]


@pytest.mark.parametrize(("source", "own", "clinic", "whose", "leads"), CASES)
def test_a_packet_names_the_leads_that_plans_follow(
    source: str, own: list[date], clinic: list[date], whose: str, leads: tuple[int, int]
) -> None:
    payer = make_payer(name="Payer E", refill_source=source)
    for of, (ask, give), days in ((payer, (20, 5), own), (None, (21, 6), clinic)):
        for day in days:
            RefillRuleVersion.objects.create(
                payer=of, contact_lead_days=ask, delivery_lead_days=give, effective_from=day
            )
    patient = make_patient(payer=payer)
    packet = make_packet(make_dispense(patient, on=TODAY), now=NOW)
    rules = json.loads(packets.document_of(packet))["rules"]
    (said,) = (rule for rule in rules if rule["rule"] == "refill")
    assert (said["whose"], (said["contact_lead_days"], said["delivery_lead_days"])) == (whose, leads)

    terms = Terms.of(facts.patient_facts([patient.pk])[patient.pk], facts.policy(), as_of=TODAY)
    planned = rule_for(terms.rules, TODAY)
    assert (planned.contact_lead, planned.delivery_lead) == leads
