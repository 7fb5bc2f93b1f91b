"""HTML pages from templates: text from files and users is escaped; a missing value is an error."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Template


@functools.cache
def html_template(package: str, name: str) -> Template:
    """Load a template from the folder `templates` of a room such as "busbench.rig"."""
    import jinja2  # only pages need it

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader(package),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_printable,
    )
    return environment.get_template(name)


def _printable(value: object) -> object:
    """Remove characters that a page cannot hold from annotations and file names."""
    if type(value) is not str or value.isprintable():
        return value
    return "".join(letter if letter.isprintable() else repr(letter)[1:-1] for letter in value)
