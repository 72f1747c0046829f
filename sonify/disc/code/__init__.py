"""Codes: a message to bits, and bits back to a message."""
