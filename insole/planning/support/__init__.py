"""The support surface and what is cut from it: pad, kit pad, contoured bed."""
