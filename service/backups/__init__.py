"""Copies of the record, by hand and by the clock."""
