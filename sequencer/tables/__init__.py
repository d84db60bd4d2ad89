"""Plans coded small: track, lamp and switch streams, transitions, and the show image (see FORMAT.md)."""
