"""Sound: the performance through a SoundFont at a given loudness, as a file or as samples."""
