"""Years of old files in one go."""
