"""A folder on disk, and the validated session in SI that it holds."""
