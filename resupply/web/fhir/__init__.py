"""Records for other programs over HL7 FHIR R4: read-only, with a bearer token, off unless switched on."""
