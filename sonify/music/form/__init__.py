"""Form: sections, phrases, arcs and harmony laid over the rows of a disc."""
