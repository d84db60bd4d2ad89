"""Quarterjack: scenes for moving figures, planned within what the mechanism can do."""

__version__ = "0.1.0"
