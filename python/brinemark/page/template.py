"""The templates of the pages, and what all of them say alike."""

from __future__ import annotations

from collections.abc import Callable

import jinja2


def template(file: str, /, **filters: Callable[..., str]) -> jinja2.Template:
    """A template of this folder, with filters of its own beside those of all."""
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("brinemark", "page"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters.update(unbroken=_unbroken, **filters)
    return environment.get_template(file)


def _unbroken(text: str) -> str:
    """A figure and its per cent sign stay on one line."""
    return text.replace(" %", "\u00a0%")
