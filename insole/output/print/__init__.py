"""Files for printers and CAD: 3MF, STL, STEP."""
