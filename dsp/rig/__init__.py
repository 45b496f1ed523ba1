"""The rig, a guitar's settings file: model, checks, text, edits."""
