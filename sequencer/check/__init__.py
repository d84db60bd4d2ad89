"""Findings about what the player really plays. Knows nothing of how it was authored."""
