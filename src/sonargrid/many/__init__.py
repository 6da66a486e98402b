"""Many runs at once: which ones, workers that may die, a journal that survives, tables and studies."""
