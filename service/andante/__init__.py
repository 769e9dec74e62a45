"""Andante: how fast to feed, suggested for review.

Data flows one way: FHIR server → chart → picture → rules → advice and notices → writeback → FHIR server.
`domain` and `rules` are pure; only `writeback` may write, through one gate. Nothing here ever orders anything.
"""

__version__ = "0.1.0"
