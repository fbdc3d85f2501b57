"""Published and own reference tables."""
