"""Takes that are worked on side by side."""
