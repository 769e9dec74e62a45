"""What outlives a start, in SQLite or PostgreSQL. The FHIR server is the truth: all of this may be lost at any time.

    snapshot (what is kept) ──▶ store (one transaction) ──▶ tables, migrations      lead: who runs the clock
    keeping: all of it beside a running service, which a broken state may neither end nor hold up

Lost, stale, damaged or doubtful state costs a whole round. It never decides what an inbox says, whom a round leaves
out, or whether a suggestion is written.
"""
