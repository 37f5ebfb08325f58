"""The `CapabilityStatement`: what is offered, said once and read by the searches themselves."""

from datetime import date

from resupply.delivery.fhir.resources import Json

FHIR_VERSION = "4.0.1"

SEARCHES: dict[str, dict[str, str]] = {
    "Patient": {"_id": "token", "identifier": "token", "birthdate": "date", "active": "token"},
    "Device": {"_id": "token", "patient": "reference", "status": "token"},
    "DeviceRequest": {
        "_id": "token",
        "patient": "reference",
        "subject": "reference",
        "status": "token",
        "authored-on": "date",
    },
    "SupplyDelivery": {"_id": "token", "patient": "reference", "status": "token"},
    "Task": {
        "_id": "token",
        "patient": "reference",
        "subject": "reference",
        "status": "token",
        "authored-on": "date",
    },
}
"""Search parameters of each resource, and their types."""

BODY_ONLY = frozenset({"identifier", "birthdate"})
"""Parameters that tell who somebody is: taken from the body of a POST to `_search` only, since addresses end
up in logs.
"""


def capability_statement(*, clinic: str, base: str, date_of: date) -> Json:
    """What this server answers. `date_of`: when this statement was last changed."""
    return {
        "resourceType": "CapabilityStatement",
        "status": "active",
        "date": date_of.isoformat(),
        "publisher": clinic,
        "kind": "instance",
        "implementation": {"description": "Read-only access to equipment records", "url": base},
        "fhirVersion": FHIR_VERSION,
        "format": ["json"],
        "rest": [
            {
                "mode": "server",
                "documentation": (
                    "Read and search only. A search with a parameter that is not listed is refused, so that "
                    "no filter is silently ignored. Parameters that tell who a person is are taken from the "
                    "body of POST [type]/_search only."
                ),
                "security": {
                    "cors": False,
                    "description": "A bearer token per program (RFC 6750), limited by resource and location.",
                },
                "resource": [
                    {
                        "type": name,
                        "interaction": [{"code": "read"}, {"code": "search-type"}],
                        "versioning": "no-version",
                        "readHistory": False,
                        "conditionalRead": "not-match",
                        "searchParam": [
                            {"name": parameter, "type": kind} for parameter, kind in parameters.items()
                        ],
                    }
                    for name, parameters in SEARCHES.items()
                ],
            }
        ],
    }
