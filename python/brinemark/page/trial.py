"""What came of a trial, for the page."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from brinemark import plot
from brinemark.page.drawn import drawn
from brinemark.words import EFFECT_HEADS, effect_cells

if TYPE_CHECKING:
    from brinemark import Comparison


def trial(comparison: Comparison | None) -> dict[str, Any] | None:
    """What the section says of a comparison; None without one."""
    if comparison is None:
        return None
    treatments = dict.fromkeys(effect.treatment for effect in comparison.effects)
    return {
        "it": comparison,
        "heads": EFFECT_HEADS,
        "tables": [
            (name, [effect_cells(effect) for effect in comparison.effects if effect.treatment == name])
            for name in treatments
        ],
        "missing": [effect.missing for effect in comparison.effects if effect.missing],
        "effects": drawn(
            lambda width: plot.effects(comparison, width_inches=width), "trial", "What the treatment does"
        ),
        "arms": drawn(
            lambda width: plot.arms(comparison, width_inches=width), "arms", "The arms of the trial"
        ),
    }
