"""Drawings of a disc to cut, print or engrave; `drawing_formats.py` has the table of formats."""
