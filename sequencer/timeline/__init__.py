"""What the author asks for: channel -> wish over time. Knows nothing of microseconds or solving."""
