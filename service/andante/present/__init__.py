"""How an assessment is shown: JSON for programs, plain words for people."""
