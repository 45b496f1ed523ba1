"""The subcommands, one per file."""
