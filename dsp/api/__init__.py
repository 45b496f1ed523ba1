"""The public names of `thumbline.dsp`: functions of arrays, for whoever has a take in memory."""
