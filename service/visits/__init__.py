"""Days at the laboratory."""
