"""A tuning workbook for small fuel-injected motorcycles."""

__version__ = "0.1.0"
