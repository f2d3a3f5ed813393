"""Made-up feet with a known truth, a virtual scanner, and the template."""
