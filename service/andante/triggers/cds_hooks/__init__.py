"""CDS Hooks 2.0 (https://cds-hooks.hl7.org/2.0/): where a patient stands, and a draft order weighed, as cards."""
