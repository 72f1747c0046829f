"""Playing live: over MIDI ports or the computer's speakers, with the matrix in the terminal."""
