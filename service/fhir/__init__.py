"""A person's tests as FHIR R4, and the codes used in it."""
