"""Tests: their intervals, notes and marks."""
