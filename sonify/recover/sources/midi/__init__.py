"""Recordings: from the notes that a player sent, and its presets, back to bits."""
