"""Published data, each file with its source."""
