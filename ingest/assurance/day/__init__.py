"""The end of a shoot day: what never came in, and what is still open. Pure."""
