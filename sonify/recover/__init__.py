"""The way back: from drawings, images, logs and MIDI to a disc, and what went wrong."""
