"""HTML pages from a package's templates: each page is one text that needs no other file."""

from collections.abc import Callable, Mapping
from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from listener.atomic_write import PAGE_MARK

_HEAD = '<meta charset="utf-8">'


def page(package: str, template: str, filters: Mapping[str, Callable[..., Any]] = {}, **values: Any) -> str:
    """The template of the package ("listener.drill") with these values, escaped.

    An unknown name is an error. It bears the program's mark.
    """
    environment = Environment(
        loader=PackageLoader(package), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    environment.filters |= filters
    text = environment.get_template(template).render(**values)
    return text.replace(_HEAD, f"{_HEAD}\n{PAGE_MARK}", 1)
