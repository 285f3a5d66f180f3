"""JupyterLab: start page, sliders and forms."""
