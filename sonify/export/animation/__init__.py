"""The matrix as an animation: GIF, APNG and WebP."""
