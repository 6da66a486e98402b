"""Maps and lists beside the truth."""
