"""What a take says of the guitar: levels, bleed, mains hum, a rig."""
