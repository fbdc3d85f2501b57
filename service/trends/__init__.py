"""Results over time."""
