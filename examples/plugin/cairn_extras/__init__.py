"""An example of a package that extends sonify by entry points; see `pyproject.toml`."""
