"""Playing live: to MIDI ports, to the machine's speakers, with the matrix in the terminal."""
