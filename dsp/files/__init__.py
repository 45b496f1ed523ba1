"""Files in and out, whole or not at all."""
