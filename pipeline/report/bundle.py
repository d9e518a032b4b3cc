"""The chart libraries as one script for the pages' assets: put together once, then kept and looked up."""

from __future__ import annotations

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

from pipeline.core.atomic_files import write_bytes

_SNIPPET = "window.vegaEmbed = vegaEmbed;"
# The function around it keeps its names off the page.
_AROUND = ("(function () {\n", "\n})();\n")


def chart_script(kept: Path | None = None) -> bytes:
    """Return the script, from the folder `kept` if it lies there whole, else made (1.5 s) and left there.

    Its name tells what it is made of and what it holds: one of other libraries, or changed since, is not taken.
    """
    recipe = _digest(repr((version("vl-convert-python"), _SNIPPET, _AROUND)).encode())
    for found in sorted(kept.glob(f"vega-{recipe}-*.js")) if kept else ():
        script = found.read_bytes()
        if found.name == _name(recipe, script):
            return script
    script = _made()
    if kept is not None:
        write_bytes(kept / _name(recipe, script), script)
    return script


@cache
def _made() -> bytes:
    import vl_convert  # 80 MB, and only the first night of an OUT needs it

    code = vl_convert.javascript_bundle(snippet=_SNIPPET)
    return f"{_AROUND[0]}{code}{_AROUND[1]}".encode()


def _name(recipe: str, script: bytes) -> str:
    return f"vega-{recipe}-{_digest(script)}.js"


def _digest(content: bytes) -> str:
    return hashlib.blake2b(content, digest_size=6).hexdigest()
