"""The only code that speaks HTTP: FHIR R4 reads with retries and paging, and one way to write."""
