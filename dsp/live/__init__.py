"""One block of live sound, and the record that the live processes share."""
