"""Pages from templates that lie beside the code that fills them."""

from __future__ import annotations

from typing import Any

from jinja2 import Environment, PackageLoader, StrictUndefined

from pipeline.knee.counted import counted


def render(room: str, template: str, **values: Any) -> str:
    """The page; every value is escaped, and one that is missing raises.

    Args:
        room: the package in which the template lies, e.g. `pipeline.records.paper`.
        template: its file name.

    Raises:
        jinja2.UndefinedError: the template asks for a value that is not given.
    """
    environment = Environment(
        loader=PackageLoader(room, ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["counted"] = counted
    return environment.get_template(template).render(**values)
