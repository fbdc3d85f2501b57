"""Keeping the record sound: checks, and analyses by a newer version."""
