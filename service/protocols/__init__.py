"""Exercise protocols."""
