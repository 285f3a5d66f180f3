"""Sliders and forms for the workbooks, one module for each."""
