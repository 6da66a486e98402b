"""Pictures, from the palette to the film."""
