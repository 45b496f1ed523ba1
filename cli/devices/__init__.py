"""Audio devices and MIDI ports."""
