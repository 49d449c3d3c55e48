"""How a change is said, on the page and in the command."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from brinemark import Estimate


def signed(change: float) -> str:
    """A fraction as per cent, with its sign: −11.5 %."""
    return f"{100 * change:+.1f} %".replace("-", "−")


def interval(change: Estimate) -> str:
    """The interval of an estimate with its level, or that there is none."""
    if change.low != change.low:
        return f"no interval from {days(change.n)}"
    return f"{100 * change.level:.0f} % interval {signed(change.low)} to {signed(change.high)}"


def days(count: int) -> str:
    """A number of days."""
    return f"{count} day" if count == 1 else f"{count} days"
