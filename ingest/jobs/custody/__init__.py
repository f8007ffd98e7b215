"""What people write down about drives, cards and rolls, and what follows from it on the drives."""
