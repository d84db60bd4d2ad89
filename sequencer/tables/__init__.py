"""Plans coded small: track, lamp and switch streams, fades, and the show image (see FORMAT.md)."""
