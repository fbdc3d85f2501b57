"""The catalogue: every published formula once, a registered pure function."""
