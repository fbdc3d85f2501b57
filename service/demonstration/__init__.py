"""The demonstration record."""
