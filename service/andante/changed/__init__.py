"""Rounds that read only what changed, and end with the same inboxes as a round that reads everybody.

`memory` holds what was read of each patient; `round` asks the server what changed since, and works out from memory
for whom time alone has changed something. Lost or doubtful memory costs a whole round, never a patient.
"""
