"""Offloading a card: what is asked, what is planned, and the run itself."""
