"""The search for a message when the disc is unknown."""
