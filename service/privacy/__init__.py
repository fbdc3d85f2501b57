"""What a person may ask for: a copy of their data, a restriction, consent given and withdrawn, erasure."""
