"""The steps, each after the one it names."""
