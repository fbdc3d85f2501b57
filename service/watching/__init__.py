"""A test that is being recorded, watched on a second screen."""
