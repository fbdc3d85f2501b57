"""Reports of a test and of a person's history, for the client and for the record."""
