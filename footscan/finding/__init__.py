"""Find the foot in a scan: floor, inside, strays, match, cleaning, surface."""
