"""The chart libraries as one script for the pages' assets: built once, then looked up."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

from pipeline.core.atomic_files import write_bytes

_SNIPPET = "window.vegaEmbed = vegaEmbed;"
# The function around it keeps its names off the page.
_AROUND = ("(function () {\n", "\n})();\n")


def chart_script(cache_folder: Path | None = None) -> bytes:
    """Return the script, from `cache_folder` if it lies there whole, else built (1.5 s) and left there.

    Its name tells what it is built from and what it holds: one of other libraries, or changed since, is not taken.
    """
    recipe = _digest(repr((version("vl-convert-python"), _SNIPPET, _AROUND)).encode())
    for path in sorted(cache_folder.glob(f"vega-{recipe}-*.js")) if cache_folder else ():
        script = path.read_bytes()
        if path.name == _name(recipe, script):
            return script
    script = _build_script()
    if cache_folder is not None:
        write_bytes(cache_folder / _name(recipe, script), script)
    return script


@cache
def _build_script() -> bytes:
    import vl_convert  # 80 MB, and only the first night of an OUT needs it

    code = vl_convert.javascript_bundle(snippet=_SNIPPET)
    return f"{_AROUND[0]}{code}{_AROUND[1]}".encode()


def _name(recipe: str, script: bytes) -> str:
    return f"vega-{recipe}-{_digest(script)}.js"


def _digest(content: bytes) -> str:
    return hashlib.blake2b(content, digest_size=6).hexdigest()
