"""From an assessment to the clinician's inbox: what is wanted, what stands, the least that must be written,
one gate.
"""
