"""What a tester concludes from a test: written, signed, then frozen."""
