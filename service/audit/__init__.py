"""Who did what to which record when, with before and after."""
