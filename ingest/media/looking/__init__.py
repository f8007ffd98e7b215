"""Does it play? Frames and sound decoded, told as values; nothing is judged."""
