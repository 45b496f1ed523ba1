"""The tuner: the pitch of the string that sounds, to a tenth of a cent, from the live processor's own memory."""
