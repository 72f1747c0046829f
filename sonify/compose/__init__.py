"""The search for discs and mappings that sound better."""
