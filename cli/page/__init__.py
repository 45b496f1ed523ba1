"""The stage page: the stage screen for a phone or tablet, served by a process of its own."""
