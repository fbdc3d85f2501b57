"""A test that is being recorded: its clock, its marks, and the recording as it stands."""
