"""Kept takes: what `live --keep` leaves in a folder, read back, and its decisions taken again."""
