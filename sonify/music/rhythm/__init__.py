"""Rhythm rules: which places sound, when and for how long."""
