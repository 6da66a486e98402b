"""The ranger and the head on the bench: the fits."""
