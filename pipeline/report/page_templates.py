"""How every page is made: a package's templates, everything escaped, nothing undefined, the report's own style."""

from __future__ import annotations

from importlib import resources

import jinja2
from markupsafe import Markup


def environment(package: str) -> jinja2.Environment:
    """Return the templates of `package` (its folder templates/), the report's beside them.

    Escaping is on, an undefined name is an error.
    """
    places = dict.fromkeys((package, "pipeline.report"))
    return jinja2.Environment(
        loader=jinja2.ChoiceLoader([jinja2.PackageLoader(place) for place in places]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def report_style() -> Markup:
    """Return the report's style sheet, for pages that stand alone."""
    return Markup((resources.files("pipeline.report") / "static" / "report.css").read_text(encoding="utf-8"))
