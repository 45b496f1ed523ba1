"""The memory of the compiled processor: records of parameters and state, the rings of ticks and of events."""
