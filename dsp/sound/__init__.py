"""Audio building blocks that know nothing of guitars."""
