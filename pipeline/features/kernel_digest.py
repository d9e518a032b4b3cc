"""A digest of what the kernels compute: it changes with their code, and not with comments, docstrings or layout."""

from __future__ import annotations

import hashlib
import io
import tokenize
from collections.abc import Iterator
from functools import cache
from importlib.resources import files

_LAYOUT = {tokenize.COMMENT, tokenize.NL, tokenize.ENCODING, tokenize.ENDMARKER}
_STARTS = {tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT}


@cache
def kernel_digest() -> str:
    """Return the digest of all modules of `features/kernels`, the same under every version of Python."""
    digest = hashlib.blake2b(digest_size=8)
    for path in sorted(files("pipeline.features.kernels").iterdir(), key=lambda path: path.name):
        if path.name.endswith(".py"):
            for part in code_parts(path.read_text(encoding="utf-8")):
                digest.update(part.encode() + b"\0")
    return digest.hexdigest()


def code_parts(source: str) -> Iterator[str]:
    """Yield the tokens of a module that a machine acts on, in order; a change of indentation is a token."""
    begins = True
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type in _LAYOUT:
            continue
        is_docstring = begins and token.type == tokenize.STRING
        begins = token.type in _STARTS or (begins and is_docstring)
        if not is_docstring:
            yield tokenize.tok_name[token.type] if token.type in _STARTS else token.string
