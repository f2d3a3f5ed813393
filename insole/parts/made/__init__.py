"""A made part held against its plan: laid in, mapped, judged, put in words."""
