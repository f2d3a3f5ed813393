"""Words and tables for the command line; no computing. One module for each person's commands."""
