"""Two tests of a person beside each other."""
