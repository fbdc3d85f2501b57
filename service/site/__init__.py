"""What the site has set: its defaults for every record."""
