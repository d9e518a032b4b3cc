"""Vega-Lite's grammar as plain dicts: marks on named data, channels, layers; a picture takes no time to put together.

Altair would take a night of 1,000 homes 3.6 s more without holding its pictures against the schema, 10 s more with it.

Keys stand in the order of the alphabet, so the same picture is the same text. Nothing is checked here: the tests hold
every picture's spec against the Vega-Lite schema.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any, TypeAlias

Spec: TypeAlias = dict[str, Any]
SCHEMA = "https://vega.github.io/schema/vega-lite/v6.4.1.json"
_KINDS = {"Q": "quantitative", "O": "ordinal", "N": "nominal", "T": "temporal"}
_SECONDARY = ("x2", "y2")  # ends of what x and y begin: they have these channels' type


@dataclass(frozen=True)
class Channel:
    """What one visual property shows: its name in the grammar, and how."""

    name: str
    told: Spec


@dataclass(frozen=True)
class Layer:
    """Marks of one kind on a named dataset."""

    dataset: str
    kind: Spec = field(default_factory=dict)
    channels: Spec = field(default_factory=dict)

    def mark(self, name: str, **told: Any) -> Layer:
        """Return the layer with marks of this kind ("rule", "point" ...)."""
        return replace(self, kind={"type": name} | words(**told))

    def encode(self, *channels: Channel, **more: Any) -> Layer:
        """Return the layer with these channels too, given as such or by name as a dict or list of dicts."""
        return replace(self, channels=self.channels | {one.name: one.told for one in channels} | more)

    def spec(self) -> Spec:
        """Return the layer without its data."""
        return {"mark": self.kind, "encoding": dict(sorted(self.channels.items()))}


def words(**told: Any) -> Spec:
    """Return the properties of a scale, an axis, a legend, a mark."""
    return dict(sorted(told.items()))


scale = axis = legend = words


def shown(shorthand: str, **told: Any) -> Spec:
    """Return a field and its type, "w:Q" for the column w as a quantity (O ordinal, N nominal, T time)."""
    column, _, kind = shorthand.rpartition(":")
    return words(field=column, type=_KINDS[kind], **told)


tooltip = shown


def channel(name: str, shorthand: str, **told: Any) -> Channel:
    """Return a channel that shows a field."""
    found = shown(shorthand, **told)
    if name in _SECONDARY:
        del found["type"]
    return Channel(name, found)


x, x2, y, y2 = (partial(channel, name) for name in ("x", "x2", "y", "y2"))
colour, shape, size, dash, text = (
    partial(channel, name) for name in ("color", "shape", "size", "strokeDash", "text")
)


def value(fixed: Any) -> Spec:
    """Return what a channel shows for every row alike: a colour, or pixels from the start of its axis."""
    return {"value": fixed}


def layered(layers: Sequence[Layer], **told: Any) -> Spec:
    """Return the layers, first at the back, as a spec; a single one's data stand with the whole picture's."""
    names = {one.dataset for one in layers}
    own = len(layers) > 1
    parts = [({"data": {"name": one.dataset}} if own else {}) | one.spec() for one in layers]
    shared = {} if own else {"data": {"name": names.pop()}}
    return {"layer": parts, **words(**shared, **told), "$schema": SCHEMA}
