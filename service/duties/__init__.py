"""What the service does by the clock."""
