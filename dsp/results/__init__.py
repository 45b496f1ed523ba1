"""What a take becomes on disk: written, read back, drawn."""
