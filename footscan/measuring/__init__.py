"""Measure a found foot: pose, ball, landmarks, tape and toes."""
