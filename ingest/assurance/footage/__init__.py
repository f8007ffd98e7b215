"""What the clips of a shoot say about it: how a camera was set, and how much was shot. Pure."""
