"""Sphinx settings: `python -m sphinx -W docs build/docs`."""

project = "lampwalk"
copyright = "2026, the lampwalk authors"
extensions = ["sphinx.ext.autodoc", "sphinx.ext.napoleon", "myst_parser"]
source_suffix = {".md": "markdown", ".rst": "restructuredtext"}
exclude_patterns = ["build"]
html_theme = "alabaster"
autodoc_member_order = "bysource"
autodoc_typehints = "none"
napoleon_use_rtype = False
napoleon_use_ivar = True
myst_heading_anchors = 3
