"""What a player does to songs while they are played."""
