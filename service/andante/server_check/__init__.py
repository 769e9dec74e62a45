"""What a FHIR server has of what the service needs: tried, claimed, done without, or missing."""
