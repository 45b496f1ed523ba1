"""Synthetic guitars, whose notes are known exactly."""
