"""Groups of subjects."""
