"""The whole job as a local page in the browser, served to this computer alone.

`guard` keeps strangers out (key, cookie and token); `acts` are the forms that change something; `folder`,
`negatives`, `runs`, `papers`, `scanner` and `dark` are its pages, with `templates` and `static`; its colours are
those of the report's page.
"""

__all__ = ["server"]
