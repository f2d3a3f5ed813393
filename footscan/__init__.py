"""From a foot scan to a measured foot. Knows nothing of insoles."""
