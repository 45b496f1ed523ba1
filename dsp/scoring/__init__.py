"""Results compared with known notes."""
