"""Searches the thresholds of a rig on takes whose notes are known."""
