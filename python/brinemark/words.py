"""How things are said, on the pages and in the command."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from brinemark import Budget, Estimate, Standing


CAUTIONS = (
    "Work on the unit only as its manuals, local codes and licensed practice allow: release pressure and "
    "lock out power first; handle cleaning chemicals as their safety sheets say. Whether water is fit to "
    "drink is for an accredited laboratory to test; these figures don't tell."
)

CAUTIONS_IN_FULL = (
    "Pressure: release it and prove it gone before a vessel, plug or line is opened. Never go above the "
    "lowest pressure rating of membranes, vessels and piping.",
    "Electricity: lock out pumps and controls before work on them; wiring is for a licensed electrician.",
    "Cleaning chemicals: follow their safety data sheets and the membrane manufacturer's limits of pH, "
    "temperature and time; never mix acids with hypochlorite; flush before return to service.",
    "Drinking water: nothing here tells whether water is fit to drink. That is for tests by an accredited "
    "laboratory and for local health authorities.",
    "Local codes, the manufacturers' instructions and licensed practice come before anything on this page.",
)


def signed(change: float) -> str:
    """A fraction as per cent, with its sign: −11.5 %."""
    return f"{100 * change:+.1f} %".replace("-", "−")


def interval(change: Estimate) -> str:
    """The interval of an estimate with its level, or that there is none."""
    if change.low != change.low:
        return f"no interval from {days(change.n)}"
    return f"{100 * change.level:.0f} % interval {signed(change.low)} to {signed(change.high)}"


def recoveries(standing: Standing) -> str:
    """Recovery of the unit and, where concentrate returns, of one pass."""
    of_unit = f"{100 * standing.recovery:.0f} % of the raw feed"
    if standing.pass_recovery == standing.recovery:
        return f"Recovery in that window, from the flows: {of_unit}."
    of_pass = f"{100 * standing.pass_recovery:.0f} % of one pass"
    return f"Recovery in that window, from the flows: {of_unit}, {of_pass}."


def days(count: int) -> str:
    """A number of days."""
    return f"{count} day" if count == 1 else f"{count} days"


def source(name: str) -> str:
    """A source of uncertainty as a person says it."""
    return name.replace("_", " ")


def budget_words(budget: Budget) -> str:
    """The first sources of a budget that make nine tenths of it, at most three, with their shares."""
    told, parts = 0.0, []
    for part in budget.shares[:3]:
        parts.append(f"{100 * part.share:.0f} % {source(part.source)}")
        told += part.share
        if told > 0.9:
            break
    return f"{', '.join(parts)}."


def certainty(knows_errors: bool) -> str:
    """What the intervals hold, in two sentences."""
    if knows_errors:
        return (
            "Intervals of like-for-like changes hold the scatter of the readings and what the site file says "
            "its instruments, assumptions and laws may be off by. What an instrument is off by alike in "
            "both periods cancels, unless it was calibrated in between; a drift that the site file "
            "doesn't tell of is not in them."
        )
    return (
        "Intervals are of repeatability alone: what an instrument is off by or drifted, and the choice of "
        "the temperature law, are not in them. Say how good the instruments are under [instruments] in the "
        "site file; `brinemark instruments` lists typical classes to choose from."
    )
