"""Systems and codes of HL7 FHIR R4 (4.0.1) that our resources use. Values are from memory of the standard;
tests compare the required ones with lists of their own and the shapes with a general library.
"""

from resupply.models import PatientStatus, QuestionState

HCPCS = "http://www.cms.gov/Medicare/Coding/HCPCSReleaseCodeSets"
"""HCPCS Level II, by the address HL7 terminology gives it."""
NPI = "http://hl7.org/fhir/sid/us-npi"
LANGUAGE = "urn:ietf:bcp:47"
UCUM = "http://unitsofmeasure.org"
DISPENSE_TYPE = "http://terminology.hl7.org/CodeSystem/supply-item-type"

TASK_STATUS: dict[str, str] = {
    QuestionState.OPEN: "requested",
    QuestionState.ANSWERED: "completed",
    QuestionState.EXPIRED: "failed",
    QuestionState.WITHDRAWN: "cancelled",
}
"""Required binding `task-status`. An expired question had no answer: nobody rejected it, it failed."""

ON_THERAPY = PatientStatus.ON_THERAPY.value
DIED = PatientStatus.DIED.value
