"""Files for cutters: DXF and SVG, one part, one foot, one sheet."""
