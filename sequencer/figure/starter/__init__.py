"""The files that ``quarterjack new`` writes, as package data."""
