"""`python -m andante`."""

from andante.triggers.cli import main

main()
