"""The sample rates that takes and interfaces may have."""

#: In frames per second; the buffers in the records are made for these.
LOWEST_RATE, HIGHEST_RATE = 22_050, 192_000
