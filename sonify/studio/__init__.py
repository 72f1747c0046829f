"""The studio: a page where music and light are shaped, and the small server behind it."""
