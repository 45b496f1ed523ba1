"""The kernel as Python sees it: parameters in, frames through, notes out."""
