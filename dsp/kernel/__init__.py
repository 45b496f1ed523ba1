"""The compiled processor: everything that runs per frame and never allocates."""
