"""Empties camera cards onto drives, proves the copies, and knows what was shot."""

__version__ = "0.1.0"
