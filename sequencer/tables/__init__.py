"""Integers coded small: the show image (FORMAT.md), with a CRC. Knows nothing of where they came from."""
