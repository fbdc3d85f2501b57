"""Moving a whole record between SQLite and PostgreSQL."""
