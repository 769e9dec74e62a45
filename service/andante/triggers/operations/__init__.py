"""For whoever keeps the service running: rounds remembered, lateness, metrics, traces and one page. No patient data."""
