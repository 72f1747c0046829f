"""Photographs: the holes in a picture, the clock row among them, and the disc they lie on."""
