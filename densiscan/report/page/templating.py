"""The templates of pages: everything that is put into them is escaped, but for our own style, script and drawings."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from typing import Any, Final

OURS: Final = "densiscan.report.page"


def own_text(name: str, packages: Sequence[str] = (OURS,)) -> str:
    """Return a template, style or script by its name, from the first package that has it.

    Raises
    ------
    FileNotFoundError
        If none has.
    """
    from importlib.resources import files

    for package in packages:
        file = files(package) / "templates" / name
        if file.is_file():
            return file.read_text(encoding="utf-8")
    raise FileNotFoundError(name)


def environment(packages: Sequence[str] = (OURS,)) -> Any:
    """Return the templates of some packages, everything that is put into them escaped."""
    from jinja2 import Environment, FunctionLoader, StrictUndefined
    from markupsafe import Markup

    templates = Environment(
        loader=FunctionLoader(lambda name: own_text(name, packages)),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    # Our own style, script and drawings alone go in as they are; data goes in as JSON that cannot end its element.
    templates.filters["ours"] = Markup
    templates.filters["data"] = lambda value: Markup(_json(value))  # noqa: S704 - see _json
    return templates


def filled(template: str, *, style: str = "", **values: object) -> str:
    """Return a template of ours filled in; a name that is no valid text (bytes of another encoding) spoils no page.

    The policy of the page lets in its style alone.
    """
    page: str = environment().get_template(template).render(style=style, style_digest=digest(style), **values)
    return page.encode("utf-8", "replace").decode("utf-8")


def digest(text: str) -> str:
    """Return the digest by which a page's own policy knows a style or a script."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _json(value: object) -> str:
    """Return JSON that holds no mark by which it could end the element it stands in."""
    text = json.dumps(value, allow_nan=False, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
