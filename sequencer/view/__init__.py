"""Pictures and the preview page. Knows nothing new: it shows."""
