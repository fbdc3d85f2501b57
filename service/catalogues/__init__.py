"""What the service knows: quantities, methods, findings."""
