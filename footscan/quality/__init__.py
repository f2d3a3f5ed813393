"""Is a scan good enough? Limits, detectors, maps, and how sure a measure is."""
