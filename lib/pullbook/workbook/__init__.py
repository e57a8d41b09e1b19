"""Notebooks: executed into pages, and opened in JupyterLab with controls."""
