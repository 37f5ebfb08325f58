"""Records as HL7 FHIR R4 (4.0.1) JSON, written by hand: what leaves is what stands in these files.

`resources` puts one record into its resource, `wrapping` puts resources into bundles and refusals into
outcomes, `capability` says what is offered.
"""
