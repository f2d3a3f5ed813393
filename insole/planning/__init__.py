"""Planning: shoe, seating, arch support, wedges, cleat, contact."""
