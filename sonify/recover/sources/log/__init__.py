"""Detector logs: from two channels of samples to positions, passes and rows."""
