"""Parts: base, pads and shims as solids with outline, side and marks."""
