"""MIDI: bytes on the wire, standard MIDI files, string mutes, foot controllers."""
