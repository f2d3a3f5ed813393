"""The version of Solewright: in plans, papers and on the command line."""

__version__ = "0.1.0"
