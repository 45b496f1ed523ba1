"""The tuner as a player sees it."""
