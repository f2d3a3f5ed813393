"""Files for the printer, the cutter, the paper and the screen."""
