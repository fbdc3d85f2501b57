"""Exports for research."""
