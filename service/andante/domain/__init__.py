"""The words of the job as plain types. Pure: standard library only, no clock, no FHIR, no framework."""
