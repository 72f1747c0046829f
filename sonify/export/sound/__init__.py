"""Sound: the performance through a SoundFont, at a set loudness, as a file or as samples."""
