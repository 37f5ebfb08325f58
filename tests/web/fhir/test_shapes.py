"""What programs get is FHIR R4: shapes by a general library, required codes by lists of our own.

Source of the lists: HL7 FHIR R4 (4.0.1), value sets administrative and workflow, from memory. The library
(fhir.resources) knows R4B (4.3.0), not R4: of the resources here the two agree, but for SupplyDelivery and
DeviceRequest, whose elements used here are the same in both (from memory).
"""

from typing import Any

import pytest
from fhir.resources.R4B import get_fhir_model_class

from resupply.models import Patient, RefillQuestion
from tests.builders import NOW, make_answer, make_integration
from tests.web.fhir.conftest import Ask

pytestmark = pytest.mark.django_db

REQUIRED = {
    ("Device", "status"): {"active", "inactive", "entered-in-error", "unknown"},
    ("DeviceRequest", "status"): {
        "draft", "active", "on-hold", "revoked", "completed", "entered-in-error", "unknown",
    },
    ("DeviceRequest", "intent"): {
        "proposal", "plan", "directive", "order", "original-order", "reflex-order", "filler-order",
        "instance-order", "option",
    },
    ("SupplyDelivery", "status"): {"in-progress", "completed", "abandoned", "entered-in-error"},
    ("Task", "status"): {
        "draft", "requested", "received", "accepted", "rejected", "ready", "cancelled", "in-progress",
        "on-hold", "failed", "completed", "entered-in-error",
    },
    ("Task", "intent"): {
        "unknown", "proposal", "plan", "order", "original-order", "reflex-order", "filler-order",
        "instance-order", "option",
    },
    ("Bundle", "type"): {
        "document", "message", "transaction", "transaction-response", "batch", "batch-response", "history",
        "searchset", "collection",
    },
}  # fmt: skip
"""Required bindings of R4 for the elements that we fill."""
ISSUES = {
    "invalid", "structure", "required", "value", "invariant", "security", "login", "unknown", "expired",
    "forbidden", "suppressed", "processing", "not-supported", "duplicate", "multiple-matches", "not-found",
    "deleted", "too-long", "code-invalid", "extension", "too-costly", "business-rule", "conflict",
    "transient", "lock-error", "no-store", "exception", "timeout", "incomplete", "throttled", "informational",
}  # fmt: skip


def check(resource: dict[str, Any]) -> None:
    """Of the right shape, and with codes that its required bindings know."""
    kind = resource["resourceType"]
    get_fhir_model_class(kind).model_validate(resource)
    for (name, element), codes in REQUIRED.items():
        if name == kind:
            assert resource[element] in codes, (kind, element)


@pytest.mark.parametrize("kind", ["Patient", "Device", "DeviceRequest", "SupplyDelivery", "Task"])
def test_a_search_gives_a_bundle_of_resources_that_can_be_read_one_by_one(
    ask: Ask, records: list[Patient], kind: str
) -> None:
    make_integration()
    bundle = ask(kind).json()
    check(bundle)
    assert len(bundle["entry"]) >= 2
    for entry in bundle["entry"]:
        resource = entry["resource"]
        check(resource)
        assert resource["resourceType"] == kind
        assert entry["fullUrl"] == f"https://clinic.example/fhir/{kind}/{resource['id']}"
        assert ask(f"{kind}/{resource['id']}").json() == resource


def test_every_state_of_a_question_has_a_status_of_a_task(ask: Ask, records: list[Patient]) -> None:
    make_integration()
    question = RefillQuestion.objects.filter(patient=records[0]).get()
    told = {}
    for state in ("open", "answered", "expired", "withdrawn"):
        closed = {} if state == "open" else {"closed_at": NOW, "close_reason": "moved away"}
        answer = make_answer(records[0]) if state == "answered" else None
        RefillQuestion.objects.filter(pk=question.pk).update(state=state, answer=answer, **closed)
        task = ask(f"Task/{question.public_id}").json()
        check(task)
        told[state] = (task["status"], [output["valueString"] for output in task.get("output", [])])
    assert told == {
        "open": ("requested", []),
        "answered": ("completed", ["Yes"]),
        "expired": ("failed", []),
        "withdrawn": ("cancelled", []),
    }


def test_what_is_offered_is_a_capability_statement_of_r4(ask: Ask) -> None:
    answer = ask("metadata", token="")
    statement = answer.json()
    check(statement)
    assert answer["Content-Type"] == "application/fhir+json; charset=utf-8"
    assert (statement["fhirVersion"], statement["kind"]) == ("4.0.1", "instance")
    offered = {resource["type"] for resource in statement["rest"][0]["resource"]}
    assert offered == {"Patient", "Device", "DeviceRequest", "SupplyDelivery", "Task"}


@pytest.mark.parametrize(
    ("path", "token", "status", "code"),
    [
        ("Patient", "nobody's", 401, "login"),
        ("Patient/no-such", "a token of a program", 404, "not-found"),
        ("Observation", "a token of a program", 404, "not-supported"),
        ("Patient?name=x", "a token of a program", 400, "invalid"),
        ("a/b/c", "a token of a program", 404, "not-found"),
    ],
)
def test_a_refusal_is_an_operation_outcome(ask: Ask, path: str, token: str, status: int, code: str) -> None:
    make_integration()
    answer = ask(path, token)
    outcome = answer.json()
    assert answer.status_code == status
    get_fhir_model_class("OperationOutcome").model_validate(outcome)
    assert outcome["issue"][0]["severity"] in {"fatal", "error", "warning", "information"}
    assert outcome["issue"][0]["code"] == code
    assert code in ISSUES
