"""Links to one chart that need no key: they expire, and can be revoked."""
