"""The feed of changes."""
