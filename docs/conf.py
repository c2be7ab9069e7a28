"""How the pages become a site: `python -m sphinx -W -b html docs build/site`; a broken link is an error."""

from __future__ import annotations

from densiscan import __version__

project = "densiscan"
author = "the densiscan maintainers"
release = __version__
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.napoleon"]
myst_heading_anchors = 3
autodoc_typehints = "none"
napoleon_attr_annotations = False  # the trailing underscore of Warning_ is a link to docutils
exclude_patterns = ["schemas"]
html_theme = "alabaster"
html_theme_options = {
    "description": "A flatbed scanner and one step wedge as a densitometer",
    "show_powered_by": False,
    # What the commands print is 80 columns wide, and a page must hold it.
    "page_width": "1100px",
    "body_max_width": "880px",
    "code_font_size": "0.85em",
}
html_show_copyright = False
html_show_sphinx = False
html_copy_source = False
