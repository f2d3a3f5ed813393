"""Check scanners and repeats: artefacts and their log, pairs, shots, series."""
