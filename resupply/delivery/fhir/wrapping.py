"""Resources in a bundle, and refusals as outcomes."""

from collections.abc import Iterable

from resupply.delivery.fhir.resources import Json


def bundle(resources: Iterable[Json], *, base: str, own_url: str, next_url: str = "") -> Json:
    """A `Bundle` of a search: what matched, and the address of the next page if there is one.

    No total is given: it is optional (R4 Bundle.total), and counting costs more than the page.
    """
    links = [{"relation": "self", "url": own_url}]
    if next_url:
        links.append({"relation": "next", "url": next_url})
    entries = [
        {
            "fullUrl": f"{base}/{resource['resourceType']}/{resource['id']}",
            "resource": resource,
            "search": {"mode": "match"},
        }
        for resource in resources
    ]
    shell: Json = {"resourceType": "Bundle", "type": "searchset", "link": links}
    return shell | ({"entry": entries} if entries else {})


def outcome(code: str, text: str) -> Json:
    """An `OperationOutcome` with one error; `code` of the required binding `issue-type`."""
    return {
        "resourceType": "OperationOutcome",
        "issue": [{"severity": "error", "code": code, "diagnostics": text}],
    }
