"""Pitch schemes: which scale degree each place sounds."""
