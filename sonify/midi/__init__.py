"""MIDI: events, files, channels, bends and bandwidth."""
