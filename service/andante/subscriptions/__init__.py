"""Being told by the server that charts change: at least once, at most once, out of order, or not at all.

    notification (a hint) ──▶ hints (bounded, one per patient) ──▶ worker ──▶ the same rounds and reviews as ever
    keeper: our Subscriptions on the server, created, renewed, looked after      watch: what was told, and what was not

Nothing that is told is relied upon: a hint only says whom to read again. What no hint tells, the rounds find.
"""
