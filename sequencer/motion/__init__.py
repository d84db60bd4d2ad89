"""The nearest motion within limits, rounded and certified. Knows nothing of files or boards."""
