"""A reading to notes: scales, pitch schemes, rhythm rules, voices and metre."""
