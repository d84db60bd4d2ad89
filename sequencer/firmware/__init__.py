"""Header, sketch and hex from templates and the image; board descriptions. Knows nothing of the link."""
