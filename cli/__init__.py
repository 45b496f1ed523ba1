"""Thumbline's commands and what a person sees of them."""
