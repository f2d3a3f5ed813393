"""Run the command line: ``python -m insole.cli``."""

from insole.cli import entry

entry()
