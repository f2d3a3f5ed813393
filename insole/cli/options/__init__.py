"""What the command line is given, as plain requests to the workflow."""
