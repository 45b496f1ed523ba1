"""Thumbline's processor and everything it computes: no device, no terminal."""
