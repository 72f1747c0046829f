"""The player: its profile, and when it reads each position."""
