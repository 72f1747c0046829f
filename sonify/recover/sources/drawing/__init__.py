"""Drawings: the round outlines in an SVG, a DXF or a table of holes, and the disc they form."""
