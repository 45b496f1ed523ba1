"""What a player does to songs while they are played, and asks for by keys and by the stage page."""
