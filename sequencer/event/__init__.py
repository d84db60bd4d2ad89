"""Performing in front of people. So far: what plays when (:mod:`.policy`)."""
