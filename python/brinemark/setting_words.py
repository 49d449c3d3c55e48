"""What to set, in words: for the screen, the page and the object itself."""

from __future__ import annotations

from typing import TYPE_CHECKING

from brinemark.words import digits, plain, span

if TYPE_CHECKING:
    from brinemark import Estimate, GaugeSetting, HeldLimit, Settings, Shown

_DEGREES = {"degF": "°F", "degC": "°C"}


def unit_word(unit: str) -> str:
    """A unit as people write it."""
    return _DEGREES.get(unit, unit)


def shown(figure: Shown | None) -> str:
    """A figure with its unit: 3.52 gpm."""
    if figure is None:
        return ""
    return f"{digits(figure.value)} {unit_word(figure.unit)}".rstrip()


def expected(estimate: Estimate) -> str:
    """What to expect, as an interval with its unit: 1.62 to 1.97 gpm; the figure alone where nothing is in
    doubt.
    """
    if estimate.low == estimate.high:
        return f"{digits(estimate.value)} {unit_word(estimate.unit)}"
    return f"{span(estimate)} {unit_word(estimate.unit)}"


def mark(gauge: GaugeSetting) -> str:
    """What a gauge is to show, with as many decimals as it has marks for: 140 psi, 1.30 gpm."""
    return f"{_on_mark(gauge)} {unit_word(gauge.unit)}"


def _on_mark(gauge: GaugeSetting) -> str:
    if gauge.resolution is None:
        return digits(gauge.value)
    decimals = len(f"{gauge.resolution:.6f}".rstrip("0").partition(".")[2])
    return f"{gauge.value:.{decimals}f}"


def off_by(gauge: GaugeSetting) -> str:
    """How far the truth may be off: ± 6.5 psi; or that it isn't told."""
    return "taken as exact" if gauge.off_by is None else f"± {gauge.off_by:.2g} {unit_word(gauge.unit)}"


def percent(share: float) -> str:
    """A ratio in per cent: 58.3 %."""
    return f"{100 * share:.3g} %"


def limit_words(held: HeldLimit) -> str:
    """What a limit asks for: at most 150 psi."""
    end = "at most" if held.is_high else "at least"
    return f"{end} {plain(held.limit)} {unit_word(held.unit)}".rstrip()


def sentence(found: Settings) -> str:
    """What to set, and what comes of it."""
    parts = [f"feed pressure {mark(found.feed_pressure)}", f"concentrate {mark(found.concentrate_flow)}"]
    if found.recycle_flow is not None:
        parts.append(f"recycle {mark(found.recycle_flow)}")
    low, high = found.recovery_range
    flow = found.permeate_flow
    at = shown(found.figure("feed_temperature"))
    text = (
        f"At {at} set {', '.join(parts)}: {expected(flow)} of permeate at a recovery of "
        f"{percent(found.recovery)}"
    )
    text += f" (gauges allow for {percent(low)} to {percent(high)})." if high - low > 1e-6 else "."
    return " ".join([text, *shortfalls(found)])


def shortfalls(found: Settings) -> list[str]:
    """What was wanted and can't be had, and why."""
    told = []
    if found.stops_flow:
        wanted = (
            "the pressure asked for"
            if found.wanted_permeate_flow is None
            else f"{shown(found.wanted_permeate_flow)} of permeate"
        )
        told.append(f"Not {wanted}, for {_and(found.stops_flow)}.")
    if found.stops_recovery:
        told.append(f"Not {percent(found.wanted_recovery)} of recovery, for {_and(found.stops_recovery)}.")
    return told


def _and(words: tuple[str, ...]) -> str:
    *first, last = dict.fromkeys(f"the limit of {word}" for word in words)
    return f"{', '.join(first)} and {last}" if first else last


def steps(found: Settings) -> list[str]:
    """The order in which to turn the valves, and what to watch; common practice, no source."""
    most = next((held for held in found.limits if held.what == "feed pressure" and held.is_high), None)
    never = "its limit" if most is None else f"{plain(most.limit)} {unit_word(most.unit)}"
    pressure, concentrate = mark(found.feed_pressure), mark(found.concentrate_flow)
    recycles = found.recycle_flow is not None and found.recycle_flow.value > 0
    told = [
        "Before any water: manuals read, vessels and plugs closed, nobody at work on the unit, the gauges at "
        "zero. Permeate goes to drain and its line is open.",
        "Open the concentrate valve wide"
        + (", close the recycle valve" if found.recycle_flow is not None else "")
        + ". Let feed in slowly with the pump off until permeate and concentrate run without air. "
        "Watch for leaks.",
        "Start the pump at its lowest, or with its throttle nearly shut, and raise the pressure slowly, "
        "over a "
        f"minute or more, to about half of {pressure}. Never above {never}: if the gauge runs up, open the "
        "concentrate valve first.",
        f"Close the concentrate valve little by little until its meter shows {concentrate}. It never goes "
        "shut: without concentrate the membranes scale.",
    ]
    if recycles and found.recycle_flow is not None:
        told.append(
            f"Open the recycle valve until its meter shows {mark(found.recycle_flow)}. It takes from the "
            f"concentrate: bring that back to {concentrate}."
        )
    told += [
        f"Bring the feed pressure to {pressure}. Each valve moves the others: go round again until all stand"
        + (
            f" ({pressure}, {concentrate}"
            + (f", {mark(found.recycle_flow)}" if recycles and found.recycle_flow else "")
            + ")."
        ),
        f"Wait 15 to 30 minutes, set once more, then read. Expect {expected(found.permeate_flow)} of "
        f"permeate at {expected(found.permeate_quality)}. Much more or much less is a reason to stop and "
        f"look, not to "
        "turn the pump up.",
        "Let permeate run to drain for an hour or as the elements' maker says, until its conductivity "
        "stands. "
        f"Set the quality alarm to {shown(found.alarm.at)}.",
        "Write everything down, then again after a day and after two: these readings are what every later "
        "one is held against.",
    ]
    return told


def screen(found: Settings) -> list[str]:
    """What to set, line by line, not yet wrapped: a head, a table, what else is to be known."""
    lines = [f"{found.site_name}: what to set", ""]
    day = {figure.column: figure for figure in found.day}
    lines.append(
        f"Feed of {shown(day['feed_temperature'])} with {shown(day['feed_tds'])} of salt; permeate against "
        f"{shown(day['permeate_pressure'])}."
    )
    lines += ["", f"  {'set':22}{'to':>18}   {'may be off by':16}"]
    for name, gauge in gauges(found):
        lines.append(f"  {name:22}{mark(gauge):>18}   {off_by(gauge):16}")
    low, high = found.recovery_range
    lines += [
        "",
        f"  expect ({100 * found.permeate_flow.level:.0f} % intervals)",
        *(f"  {name:22}{text:>18}" for name, text in expectations(found)),
        f"  {'recovery':22}{percent(found.recovery):>18}   {percent(low)} to {percent(high)} with gauges off",
        "",
    ]
    return lines


def gauges(found: Settings) -> list[tuple[str, GaugeSetting]]:
    """What is set, in words."""
    named = [("feed pressure", found.feed_pressure), ("concentrate to drain", found.concentrate_flow)]
    if found.recycle_flow is not None:
        named.append(("concentrate recycled", found.recycle_flow))
    return named


def expectations(found: Settings) -> list[tuple[str, str]]:
    """What to expect, in words."""
    told = [
        ("permeate flow", expected(found.permeate_flow)),
        (
            "its conductivity" if found.alarm.at.column.endswith("conductivity") else "its salt",
            expected(found.permeate_quality),
        ),
        ("quality alarm at", shown(found.alarm.at)),
        ("differential pressure", expected(found.differential_pressure)),
    ]
    if found.recycle_flow is not None:
        told += [
            ("membrane inlet", shown(found.inlet_tds)),
            ("one pass recovers", percent(found.pass_recovery)),
        ]
    return told


def nearest_limits(found: Settings, count: int) -> list[HeldLimit]:
    """The limits that the unit comes nearest to."""
    return sorted(found.limits, key=lambda held: -held.share)[:count]


def element_rows(found: Settings) -> list[tuple[str, str, str, str]]:
    """First and last element: which, flux, recovery, concentrate that leaves it."""
    if not found.elements:
        return []
    first, last = found.elements[0], found.elements[-1]
    rows = []
    for name, each in (("first", first), ("last", last)) if len(found.elements) > 1 else (("only", first),):
        rows.append(
            (
                name,
                f"{digits(each['flux'])} {each['flux_unit']}",
                percent(each["recovery"]),
                f"{digits(each['concentrate_flow'])} {each['flow_unit']}",
            )
        )
    return rows


def notes(found: Settings) -> list[str]:
    """What else is to be known: what can't be had, warnings, what rests on nothing told."""
    told = [*shortfalls(found), *(f"WARNING: {text}." for text in found.warnings)]
    if found.scaling is None:
        told.append("Scales are not judged: the site file has no analysis ([water]).")
    else:
        told.append(f"Scales: {found.scaling['sentence']}.")
    if found.alarm.reached_at is not None:
        told.append(
            f"Warm water alone reaches the alarm at {shown(found.alarm.reached_at)}: set it anew when the "
            f"water has warmed."
        )
    if found.taken_as_exact:
        names = ", ".join(found.taken_as_exact)
        told.append(f"Taken as exact, since the site file doesn't tell how far off: {names}.")
    if found.not_told:
        told.append(f"Held against nothing, since the site file doesn't tell: {', '.join(found.not_told)}.")
    return told
