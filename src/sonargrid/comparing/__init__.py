"""One run under several beam models and solvers."""
