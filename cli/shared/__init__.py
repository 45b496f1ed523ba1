"""What the three live processes share: memory, and how they know of each other."""
