"""What is allowed, and what of a residue counts against it."""
