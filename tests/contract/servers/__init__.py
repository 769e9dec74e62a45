"""FHIR servers written by others, for the contract tests: how to install, start, load and watch them.

They live in `.servers/` at the project root, which git ignores, apart from the project's own environment.
"""
