"""How every page is made: a package's templates, everything escaped, nothing undefined, the report's own style."""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

import jinja2
from jinja2.bccache import Bucket
from markupsafe import Markup

from pipeline.report import words
from pipeline.report.names import crew_anchor
from pipeline.report.report_input import FaultCard


class _CompiledTemplates(jinja2.BytecodeCache):
    """What this process has compiled: many nights in one compile each template once."""

    def __init__(self) -> None:
        self._compiled: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        """Give the template's code, if it was compiled from the same text."""
        if bucket.key in self._compiled:
            bucket.bytecode_from_string(self._compiled[bucket.key])

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep the template's code."""
        self._compiled[bucket.key] = bucket.bytecode_to_string()


_COMPILED = _CompiledTemplates()


def environment(
    package: str, faults: Mapping[str, FaultCard] | None = None, line_count: int | None = None
) -> jinja2.Environment:
    """Return the templates of `package` (its folder templates/), the report's beside them, `words` as filters.

    Escaping is on, an undefined name is an error. `fault` names a fault by its card in `faults`, in the words of a home
    with as many lines as the template says; where it says nothing, of `line_count`.
    """
    places = dict.fromkeys((package, "pipeline.report"))
    pages = jinja2.Environment(
        loader=jinja2.ChoiceLoader([jinja2.PackageLoader(place) for place in places]),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        bytecode_cache=_COMPILED,
    )
    for name in ("percent", "number", "day", "leg", "minutes", "plain", "likelihoods", "sentence"):
        pages.filters[name] = getattr(words, name)
    pages.filters["fault"] = lambda code, lines=line_count: words.fault(code, faults, lines)
    pages.filters["script_json"] = script_json
    pages.filters["crew_anchor"] = crew_anchor
    pages.globals["count"] = words.count
    return pages


def write_page(target: Path, pages: jinja2.Environment, template: str, *, values: Mapping[str, Any]) -> None:
    """Write the page as a file, its folder made where missing.

    Parameters
    ----------
    target
        The file, replaced where it is there.
    pages, template
        An `environment` and the name of the template in it.
    values
        What the template asks for, by name.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    target.write_bytes(pages.get_template(template).render(values).encode("utf-8"))


def script_json(value: Any) -> Markup:
    """Return JSON that may stand inside a script element: ASCII, and nothing a browser reads as markup."""
    text = json.dumps(value, ensure_ascii=True, allow_nan=False, separators=(",", ":"))
    for sign in "<>&":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def report_style() -> Markup:
    """Return the report's style sheet, for pages that stand alone."""
    return Markup((resources.files("pipeline.report") / "static" / "report.css").read_text(encoding="utf-8"))
