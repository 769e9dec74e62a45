"""The page a dietitian opens in the morning: who waits for a person, and why; and a place to answer.

It shows what the last rounds found, and decides nothing. What a person answers is written to the Task through the write
gate's own door for answers. No address of ours names a patient, and nothing is kept in the browser.
"""
