"""Trials: red flags, the rider's words, the next step, and cases on file."""
