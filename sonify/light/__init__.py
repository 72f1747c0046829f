"""The light show: the matrix over time, the letters, the look of a lamp, frames."""
