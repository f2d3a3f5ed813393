"""A shoe: its file, its parts, and its bed from heights, outline or scan."""
