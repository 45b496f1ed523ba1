"""Words for a rig that was made for another guitar than the take."""

#: What helps against it.
CALIBRATE = "calibrate with open strings of this guitar"


def does_not_fit(misfit: str) -> str:
    """Return the warning for a take whose rig is wrong in the way that ``misfit`` names; for commands with --rig."""
    return f"the rig does not fit this take: {misfit}; {CALIBRATE}, or leave --rig out"
