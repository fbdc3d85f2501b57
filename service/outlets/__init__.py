"""Rows into forms that leave the service."""
