"""The process that owns the sound."""
