"""What every route shares."""
