"""Scales, chords, key signatures and tuning."""
