"""Beats and bars of a take: known, tapped, or found in the notes."""
