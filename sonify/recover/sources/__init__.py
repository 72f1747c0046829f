"""Sources to a disc: grid, drawing, photograph, detector log, recorded MIDI.

One file or folder per kind, all of the same shape: a path goes in, a `Sighting` comes out, with a
confidence for each position. `sonify.recover.search.find` turns a sighting into a disc.
"""
