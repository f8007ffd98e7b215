"""Copies made from drives, when the card is gone or may rest: a further copy, and mending."""
