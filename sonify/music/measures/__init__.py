"""Measures of a piece: of its sound, of its form, and of the message that can be heard in it."""
