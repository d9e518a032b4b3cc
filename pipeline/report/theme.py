"""Chart colours, light and dark, and the settings every chart shares.

Specs carry the light colours, so they are complete by themselves (print, SVG export); the page's script
swaps them one for one where the reader prefers dark. Sign of power is orange (negative, towards the
utility) against blue (positive, into the home); lines are violet circles, green squares and ochre triangles: they
stay apart for colour-blind readers and in grey, and are never red against green.
"""

from __future__ import annotations

from typing import Any

# name: (light, dark). Each light colour is used once, so that the swap is unambiguous.
PALETTE: dict[str, tuple[str, str]] = {
    "ink": ("#1d2327", "#e8eaec"),
    "quiet": ("#5a646b", "#a3adb4"),
    "grid": ("#dfe3e6", "#383f45"),
    "paper": ("#fffffe", "#181c20"),
    "no_data": ("#d0d5d8", "#33393e"),
    "negative_far": ("#8a3b00", "#ffb26b"),
    "negative_near": ("#f0b27a", "#8f5418"),
    "zero": ("#f7f6f3", "#22272c"),
    "positive_near": ("#9cc4e4", "#2b5f8c"),
    "positive_far": ("#0b4a86", "#8cc8ff"),
    "l1": ("#5e35a8", "#c3a6ff"),
    "l2": ("#0b7a64", "#5fd6b8"),
    "l3": ("#96650a", "#f2c14e"),
    "expected": ("#2b3135", "#dfe3e6"),
    "supports": ("#a85200", "#ffa64d"),
    "against": ("#1f6fb2", "#6db8f7"),
    "prior": ("#7a848b", "#8f99a0"),
    "total": ("#30373c", "#d5dade"),
}


def light(name: str) -> str:
    """Return the light colour of that name."""
    return PALETTE[name][0]


def swaps() -> dict[str, str]:
    """Return light colour -> dark colour, for the page's script."""
    return dict(PALETTE.values())


def config() -> dict[str, Any]:
    """Return the Vega-Lite config of all charts."""
    label = {
        "labelColor": light("quiet"),
        "titleColor": light("ink"),
        "labelFontSize": 12,
        "titleFontSize": 12,
    }
    return {
        "background": "transparent",
        "font": "system-ui, sans-serif",
        "view": {"stroke": None, "continuousWidth": 420, "continuousHeight": 260, "discreteWidth": 420},
        "axis": label
        | {
            "titleFontWeight": "normal",
            "domainColor": light("prior"),
            "tickColor": light("prior"),
            "gridColor": light("grid"),
            "labelOverlap": True,
            "labelSeparation": 4,
        },
        "legend": label | {"titleFontWeight": "normal", "orient": "top", "titleLimit": 400, "symbolSize": 90},
        "text": {"color": light("ink"), "fontSize": 12},
    }
