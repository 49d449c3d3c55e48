"""How things are said, on the pages and in the command."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from brinemark import (
        Budget,
        Change,
        Check,
        Comparison,
        Date,
        Effect,
        Estimate,
        Forecast,
        QuantityTrend,
        Run,
        Site,
        SizedUnit,
        Sizing,
        SizingMonth,
        Standing,
        TrialPlan,
    )

# As in the core, which isn't loaded for this: the command is to start fast. A test holds the two together.
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


_MOST = 9.99
"""What has risen tenfold, or is so poorly known, needs no more digits."""


def signed(change: float) -> str:
    """A fraction as per cent, with its sign: −11.5 %."""
    if change > _MOST:
        return f">{100 * _MOST:.0f} %"
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


def group_name(train: str | None, stage: str | None) -> str:
    """Which train and stage; nothing where there is but one."""
    named = (("train", train), ("stage", stage))
    return ", ".join(f"{kind} {label}" for kind, label in named if label is not None)


def quantity(name: str) -> str:
    """A quantity of a trend as a person says it."""
    return name.replace("_", " ")


def percent(change: float) -> str:
    """A fraction as whole per cent, with its sign: −12 %."""
    if change > _MOST:
        return f">{100 * _MOST:.0f} %"
    figure = f"{100 * change:+.0f}".replace("-", "−")
    return f"{'0' if figure in ('+0', '−0') else figure} %"


def change(estimate: Estimate) -> str:
    """A change with its interval in whole per cent: −12 % (−14 to −10 %)."""
    low, high = percent(estimate.low).removesuffix(" %"), percent(estimate.high)
    return f"{percent(estimate.value)} ({low} to {high})"


_HAPPENINGS = {
    "cleaning": "cleaning",
    "replacement": "replacement",
    "calibration": "calibration",
    "bend": "pretreatment change",
}


def happening(change: Change) -> str:
    """What happened, as the site file tells it, or as the readings show it."""
    if change.told is not None:
        return _HAPPENINGS[change.kind]
    if change.kind == "bend":
        return "rate changed"
    return change.kind if change.looks == "unclear" else f"{change.kind}, {change.looks}"


def by_when(date: Date) -> str:
    """When something is reached: reached; 2027-03 (2026-11 to 2028-02); not within ten years."""
    if date.reached >= 0.5 + 0.5 * date.level:
        return "reached"
    early, late = ("beyond ten years" if end is None else end[:7] for end in (date.early, date.late))
    if date.middle is None:
        return "not within ten years" if date.early is None else f"not within ten years, earliest {early}"
    return f"{date.middle[:7]} ({early} to {late})"


def between(date: Date) -> str:
    """The interval of `by_when` alone, where there is little room."""
    if date.reached >= 0.5 + 0.5 * date.level:
        return "reached"
    if date.early is None:
        return "not in ten years"
    return f"{date.early[:7]} {'or later' if date.late is None else f'to {date.late[:7]}'}"


def wrapped(text: str, columns: int, lead: str = "", then: str = "") -> list[str]:
    """Lines of at most so many characters; a figure and its per cent sign stay on one."""
    lines = textwrap.wrap(
        text.replace(" %", "\u00a0%"),
        columns,
        initial_indent=lead,
        subsequent_indent=then,
        break_on_hyphens=False,
    )
    return [line.replace("\u00a0", " ") for line in lines]


def constants(found: QuantityTrend) -> tuple[str, str]:
    """The site's own temperature constant with its interval, and the one it was normalised by."""
    own = found.temperature_constant
    told = f"{own.value:.0f} K ({own.low:.0f} to {own.high:.0f} K)".replace("-", "−")
    return told, f"{found.normalised_by:.0f} K" if found.normalised_by else "viscosity"


def digits(value: float) -> str:
    """A figure with the three digits that count."""
    if abs(value) >= 1e6:
        return f"{value:.3g}"
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:#.3g}"


def span(estimate: Estimate) -> str:
    """An interval, with the three digits that count."""
    return f"{digits(estimate.low)} to {digits(estimate.high)}"


def what_happened(change: Change, site: Site) -> tuple[str, str, str]:
    """The day, what it was and who says so, and how much each quantity changed."""
    what = happening(change)
    if change.told is None:
        what += "; found in the readings"
    else:
        note = site.events[change.told].note
        what += f" ({note})" if note else ""
        what += "" if change.seen else "; the readings don't show it clearly"
    per_year = " a year" if change.kind == "bend" else ""
    sizes = (f"{quantity(name)} {_size(change.sizes[name])}{per_year}" for name in sorted(change.sizes))
    return change.time[:10], what, ", ".join(sizes)


def _size(of: Estimate) -> str:
    return f"{signed(of.value)} ({signed(of.low).removesuffix(' %')} to {signed(of.high)})"


def run_cells(run: Run) -> tuple[str, str, str, str, str, str, str]:
    """A run between cleanings: from, to, days; of water permeability its rate a year, its change at the end,
    what the cleaning behind it won back, and for how long that lasts.
    """
    name = "water_permeability"
    rate, at_end, won_back = (of.get(name) for of in (run.rate, run.at_end, run.won_back))
    return (
        run.start[:10],
        run.end[:10],
        str(run.points),
        "" if rate is None else change(rate),
        "" if at_end is None else change(at_end),
        "" if won_back is None else f"{100 * won_back.value:.0f} %",
        "" if run.days_gained is None else f"{run.days_gained:.0f} d",
    )


def cold_words(ahead: Forecast) -> list[str]:
    """Flow in the coldest water, and whether it is enough."""
    cold = ahead.cold_flow
    if cold is None:
        return []
    flow = cold.now
    text = (
        f"In water of {cold.temperature_degc:.0f} °C, at {digits(cold.pressure)} {cold.pressure_unit}, "
        f"it would make {span(flow)} {flow.unit} now"
    )
    if cold.demand is not None and cold.date is not None:
        text += f"; below the {digits(cold.demand)} {flow.unit} needed: {by_when(cold.date)}"
    return [f"{text}."]


def clause_figure(clause: Mapping[str, Any]) -> str:
    """The figure of a judged clause, with its interval: 8.72 m3/h (8.61 to 8.83); nothing without one."""
    figure = clause["figure"]
    if figure is None:
        return ""
    text = f"{plain(figure['value'])} {figure['unit']}".rstrip()
    if figure["low"] is None or figure["high"] is None or figure["low"] != figure["low"]:
        return text
    return f"{text} ({plain(figure['low'])} to {plain(figure['high'])})"


def clause_limit(clause: Mapping[str, Any]) -> str:
    """What a judged clause holds it against: at least 9.2 m3/h."""
    limit = clause["limit"]
    if limit is None:
        return ""
    ends = [
        f"{words} {plain(limit[end])} {limit['unit']}".rstrip()
        for end, words in (("low", "at least"), ("high", "at most"))
        if limit[end] is not None
    ]
    return ", ".join(ends)


def plain(value: float | None) -> str:
    """Four digits, as a person writes them."""
    if value is None or value != value:
        return "not known"
    if value == 0 or 1e-3 <= abs(value) < 1e5:
        return f"{float(f'{value:.4g}'):g}".replace("-", "−")
    return f"{value:.3e}".replace("-", "−")


def chance(probability: float) -> str:
    """A probability: 3.2 %, under 0.1 %."""
    if probability < 0.001:
        return "under 0.1 %"
    return "over 99.9 %" if probability > 0.999 else f"{100 * probability:.1f} %"


def duration(hours: float) -> str:
    """A length of time: 40 min, 5.5 h, 12 d."""
    if hours >= 72:
        return f"{hours / 24:.3g} d"
    return f"{hours:.3g} h" if hours >= 1 else f"{60 * hours:.2g} min"


def effect_words(effect: Effect) -> str:
    """An effect with its interval: −31 % (−45 to −15 %); or in the measure's own unit."""
    if effect.relative is not None:
        return change(effect.relative)
    found = effect.difference
    if found is None:
        return "can't be judged"
    ends = f"{found.low:+.3g} to {found.high:+.3g}"
    return f"{found.value:+.3g} ({ends}) {found.unit}".replace("-", "−")


def effect_cells(effect: Effect) -> tuple[str, ...]:
    """Measure, effect, p by Holm's rule, p of no worse, noise floor, verdict."""

    def chance(p: float) -> str:
        return "" if p != p else "<0.001" if p < 0.001 else f"{p:.3f}"

    floor = ""
    if effect.placebo is not None:
        share = effect.placebo.floor
        if effect.unit == "1/y" and effect.of_control is not None and effect.relative is not None:
            share /= abs(effect.of_control.value)
        floor = f"±{100 * share:.1f} %" if effect.unit != "1/y" or effect.relative else f"±{share:.2g} 1/y"
    return (
        effect.measure.replace("_", " "),
        effect_words(effect),
        chance(effect.p_adjusted),
        chance(effect.p_not_worse),
        floor,
        effect.verdict,
    )


EFFECT_HEADS = ("", "treated against control", "p (Holm)", "p no worse", "noise floor", "")


def comparison_words(found: Comparison) -> list[str]:
    """All of a comparison, a line each."""
    level = f"{100 * found.level:.0f} %"
    told = [
        f"{found.design}, against '{found.control}'; {level} intervals; margin {100 * found.margin:.0f} %"
    ]
    if found.unlike:
        told += ["", "NOT LIKE FOR LIKE:", *(f"  {text}" for text in found.unlike)]
    for treatment in dict.fromkeys(effect.treatment for effect in found.effects):
        rows = [effect_cells(effect) for effect in found.effects if effect.treatment == treatment]
        rows.insert(0, EFFECT_HEADS)
        widths = [max(len(row[at]) for row in rows) for at in range(len(EFFECT_HEADS))]
        told += ["", f"'{treatment}'"]
        for row in rows:
            line = "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
            told.append(f"  {line.rstrip()}")
        missing = [
            effect.missing for effect in found.effects if effect.treatment == treatment and effect.missing
        ]
        told += [f"  Not told: {text}." for text in missing]
    told.append("")
    told += [
        f"{overlap.condition}: {100 * min(overlap.shares):.0f} % of days alike at least "
        f"(medians {overlap.medians[0]:.4g} and {overlap.medians[1]:.4g} {overlap.unit})"
        for overlap in found.overlaps
    ]
    told.append(f"Holm's rule over {found.family} tests, risk {100 * found.risk:.0f} %. By {found.method}.")
    return [*told, *(f"Note: {warning}." for warning in found.warnings), "", found.caution]


def plan_words(plan: TrialPlan) -> list[str]:
    """All of a plan, a line each."""
    rate = plan.fouling_rate
    told = [
        plan.sentence,
        f"Fouling rate: {rate.value:.3g} 1/y ({rate.low:.3g} to {rate.high:.3g}, {100 * rate.level:.0f} %).",
        f"Noise of a day's difference: {100 * plan.noise:.2g} %, "
        + (
            "of the two trains"
            if plan.of_pair
            else "of one train, taken for two that know nothing of each other"
        )
        + f"; {100 * plan.wander_share:.0f} % of its variance wanders for some {plan.wander_days:.0f} days, "
        "against which only time helps; against the rest more readings do too.",
        "Readings needed: " + "; ".join(f"{name} ({kind})" for name, kind in plan.columns.items()) + ".",
    ]
    if plan.instruments:
        largest = sorted(plan.instruments.items(), key=lambda part: -part[1])[:4]
        shares = ", ".join(f"{source(name)} {100 * share:.0f} %" for name, share in largest)
        told.append(f"Of a single reading's uncertainty: {shares}.")
    told += [""]
    for curve in plan.curves:
        steps = ", ".join(
            f"{week:.0f}: {100 * power:.0f} %" for week, power in zip(curve.weeks, curve.power, strict=True)
        )
        told.append(f"{curve.readings_per_week} a week, power by weeks: {steps}")
    return [*told, "", plan.caution]


def quoted_units(found: Sizing) -> dict[str, str]:
    """The units of a sizing as a person writes them."""
    return {name: unit.replace("deg", "°") for name, unit in found.units}


def sized_rows(found: Sizing, unit: SizedUnit) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Heads and rows of a unit's year, a month a row."""
    units = quoted_units(found)
    has_tank = unit.months[0].tank is not None
    heads = (
        "month",
        f"feed {units['temperature']}",
        f"needs {units['daily']}",
        "can make",
        "of need",
        f"({100 * found.level:.0f} %)",
        f"set {units['pressure']}",
        "h/d",
        *((f"low {units['volume']}", f"short {units['volume']}") if has_tank else ()),
    )
    return heads, [_sized_row(month) for month in unit.months]


def _sized_row(month: SizingMonth) -> tuple[str, ...]:
    worn, tank = month.worn, month.tank
    share = worn.share
    made = "none needed" if share is None else f"{100 * share.value:.0f} %"
    known = share is not None and share.low == share.low
    return (
        month.name,
        f"{month.temperature:.0f}",
        digits(month.needed),
        digits(worn.capacity.value),
        made,
        f"{100 * share.low:.0f} to {100 * share.high:.0f} %" if share is not None and known else "",
        f"{digits(worn.feed_pressure.value)}{'*' if worn.stopped_by_limit else ''}",
        f"{worn.hours_a_day:.1f}",
        *(
            ()
            if tank is None
            else (f"{digits(tank.lowest)} {tank.lowest_at}", digits(tank.shortfall) if tank.short else "")
        ),
    )


def sized_words(found: Sizing) -> list[str]:
    """How big, by what; the tank; the year; what breaks a limit; what could not be told."""
    units = quoted_units(found)
    flow = units["flow"]
    month, share = found.share_if_sized_at_25_degc
    needed = found.rated_flow
    sure = "" if needed.low != needed.low else f" ({span(needed)}, {100 * needed.level:.0f} %)"
    texts = [
        f"Rated flow at test conditions [{flow}]: has {digits(found.present.rated_flow)}, needs "
        f"{digits(needed.value)}{sure}; by the rule of 2 % a °F {digits(found.rated_flow_by_2_per_degf)}, of "
        f"3 % a °C {digits(found.rated_flow_by_3_per_degc)}; sized at 77 °F "
        f"{digits(found.rated_flow_at_25_degc)}, which makes {100 * share:.0f} % of {month}'s need."
    ]
    both = [("As it is", found.present)]
    if found.proposed is not None and found.proposed.words != found.present.words:
        both.append(("Proposed", found.proposed))
    texts += [f"{name}: {broken}." for name, of in both for broken in of.breaks]
    texts += [
        f"{name}, {of.words}: {' '.join(filter(None, (of.tank, year_words(found, of))))}" for name, of in both
    ]
    return [*texts, *(f"Not told: {of}." for of in found.missing)]


def year_words(found: Sizing, unit: SizedUnit) -> str:
    """A year of a unit with worn membranes: permeate, reject, energy, what they cost."""
    year, volume = unit.year, quoted_units(found)["volume"]
    made, lost = (grouped(of.value) for of in (year.permeate, year.reject))
    text = f"A year: {made} {volume} permeate, {lost} {volume} reject"
    if year.energy_kwh is not None and year.energy_kwh_per_m3 is not None:
        new = unit.year_when_new.energy_kwh_per_m3
        text += f", {grouped(year.energy_kwh.value)} kWh ({digits(year.energy_kwh_per_m3.value)} kWh/m3"
        text += ")" if new is None else f"; new {digits(new.value)})"
    currency = prices_currency(found)
    costs = [
        f"{what} {grouped(cost.value)}{currency}"
        for what, cost in (("energy", year.energy_cost), ("water", year.water_cost))
        if cost is not None
    ]
    return f"{text}{', ' if costs else ''}{', '.join(costs)}."


def prices_currency(found: Sizing) -> str:
    """The currency of a demand's prices, behind a figure; nothing where none is told."""
    currency = json.loads(found.demand.settings)["prices"]["currency"]
    return f" {currency}" if currency else ""


def grouped(value: float) -> str:
    """Three digits that count, thousands apart: 949 000."""
    if value != value:
        return "not known"
    if abs(value) < 1000:
        return digits(value)
    return f"{float(f'{value:.3g}'):,.0f}".replace(",", " ")


def advice_reason(check: Check) -> str:
    """Why a visit's advice is what it is."""

    def those(least: float) -> str:
        return ", ".join(quantity(of.quantity) for of in check.quantities if of.reached >= least)

    words = {
        "leave alone": "no trigger is near.",
        "watch": f"perhaps past the trigger: {those(0.2)}.",
        "act now": f"past the trigger: {those(0.5)}.",
        "cannot tell": "the readings leave open on which side of its trigger a figure is. Read again.",
    }
    return words[check.advice]


def flow_words(check: Check) -> str:
    """What the unit should have made, what it made, and how much of that is cold water or pressure."""
    temperature, pressure, flow = check.units
    when_new, water, expected = check.when_new, check.quantities[0].visit, check.expected
    if water.value != water.value:
        return "The visit has no reading of permeate flow that could be used."
    text = (
        f"Expected at {check.temperature:.0f} {_DEGREES.get(temperature, temperature)} and "
        f"{digits(check.pressure)} {pressure}, as when new: {span(when_new)} {flow} "
        f"({100 * when_new.level:.0f} %). You read {digits(check.read)}: {100 * abs(water.value):.0f} % "
        f"{'below' if water.value < 0 else 'above'} that, of which none is cold water or pressure. "
        f"As it stands, the reading is {percent(check.measured)} against start-up; temperature alone makes "
        f"{percent(check.by_temperature)} of that, driving pressure {percent(check.by_driving_pressure)}. "
    )
    if expected is None:
        return f"{text}Too few readings stand before it to say whether it was to be expected."
    text += f"The readings before led to {span(expected)} {flow}: "
    # As far outside again as from the middle to an end is one visit in a thousand.
    beyond = 0.5 * (expected.high - expected.low)
    if expected.low - beyond <= check.read <= expected.high + beyond:
        return f"{text}the visit fits them."
    return f"{text}the visit does not fit them. Read again before you act on it."


_DEGREES = {"degF": "°F", "degC": "°C"}
