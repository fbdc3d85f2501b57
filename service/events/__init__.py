"""What happened to a person, or at the site, on the time line of the tests."""
