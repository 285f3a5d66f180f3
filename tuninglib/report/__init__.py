"""Results to a written report, one file a heading."""
