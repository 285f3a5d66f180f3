"""Estimates with their 95 % intervals."""
