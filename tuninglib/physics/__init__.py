"""Pure functions of floats and arrays in SI."""
