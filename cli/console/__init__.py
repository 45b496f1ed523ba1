"""The process that a player sees: runs and supervises the others, shows and reports."""
