"""A session to its results: frozen records, no sentences."""
