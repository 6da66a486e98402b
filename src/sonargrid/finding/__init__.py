"""Things: arcs of equal range, the fit across stations, how sure."""
