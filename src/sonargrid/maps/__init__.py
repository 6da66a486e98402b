"""Beam models, the grid, and the two solvers that fill it."""
