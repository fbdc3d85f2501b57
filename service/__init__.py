"""Upslope: a longitudinal record of graded exercise tests."""

__version__ = "0.1.0"
