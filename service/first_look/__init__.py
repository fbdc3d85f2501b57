"""One file judged without a record."""
