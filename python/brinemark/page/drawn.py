"""Plots as the page holds them."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import TYPE_CHECKING

import matplotlib as mpl

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def drawn(draw: Callable[[float], Figure], prefix: str, label: str) -> str:
    """A plot twice, for a desk and for a phone: the page shows the one that fits."""
    return (
        f'<div class="wide">{_svg(draw(8.4), prefix, label)}</div>'
        f'<div class="narrow">{_svg(draw(4.4), f"{prefix}-narrow", label)}</div>'
    )


def _svg(figure: Figure, prefix: str, label: str) -> str:
    """A plot as inline SVG: the same bytes each time, ids of its own, as wide as its place."""
    buffer = io.StringIO()
    with mpl.rc_context({"svg.hashsalt": prefix, "svg.fonttype": "none"}):
        figure.savefig(buffer, format="svg", transparent=True, metadata={"Date": None, "Creator": None})
    drawn = buffer.getvalue()
    drawn = drawn[drawn.index("<svg") :]
    drawn = re.sub(r'\bid="', f'id="{prefix}-', drawn)
    drawn = re.sub(r'(url\(#|href="#)', rf"\1{prefix}-", drawn)
    drawn = re.sub(r"<metadata>.*?</metadata>", "", drawn, flags=re.DOTALL)
    # The height of its place follows from the view box.
    sized = r'<svg ([^>]*?)width="[^"]*" height="[^"]*"'
    return re.sub(sized, rf'<svg role="img" aria-label="{label}" \1', drawn, count=1)
