"""Files into tests."""
