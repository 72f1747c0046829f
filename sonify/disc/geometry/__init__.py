"""The geometry of a disc: sizes, fit, webs and mass."""
