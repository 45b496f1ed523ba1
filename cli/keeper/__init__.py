"""The process that owns MIDI."""
