"""What the fault tests are made of: real file systems on loop devices, and ways to break them."""
