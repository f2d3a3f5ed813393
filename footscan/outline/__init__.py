"""A photograph of an outline drawn around a foot becomes lengths and breadths with uncertainty."""
