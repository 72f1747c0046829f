"""Drawings: the round things in an SVG, a DXF or a table of holes, and the disc that they make."""
