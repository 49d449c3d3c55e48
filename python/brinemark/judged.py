"""A visit with all that is said of it: judged where there are readings enough, else as it was read."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

from brinemark.setting_words import mark
from brinemark.words import digits, percent

if TYPE_CHECKING:
    from brinemark import BrinemarkError, Check, Due, Forecast, Log, Result, Settings, Site, Trend


@dataclass(frozen=True, kw_only=True)
class Reading:
    """A reading of the visit, as read, beside that of the visit before."""

    name: str
    value: float
    unit: str
    before: float | None


@dataclass(frozen=True, kw_only=True)
class LikeForLike:
    """A figure of the visit against the reference, where there is no trend: its interval holds what the
    site file says its instruments may be off by; none where it says nothing.
    """

    name: str
    change: float
    low: float | None
    high: float | None


def ends(found: LikeForLike) -> str:
    """The interval of a figure, or that there is none."""
    if found.low is None or found.high is None:
        return "no interval"
    return f"{percent(found.low).removesuffix(' %')} to {percent(found.high)}"


@dataclass(frozen=True, kw_only=True)
class Setting:
    """What to set at a feed temperature, in the site's units; or why that can't be told."""

    temperature: str
    pressure: str = ""
    concentrate: str = ""
    recycle: str = ""
    expect: str = ""
    why_not: str = ""

    @property
    def sentence(self) -> str:
        """At 8 °C set 168 psi, 1.2 gpm to drain."""
        if self.why_not:
            return f"At {self.temperature}: {self.why_not}"
        marks = [self.pressure, f"{self.concentrate} to drain"]
        marks += [f"{self.recycle} of recycle"] if self.recycle else []
        return f"At {self.temperature} set {', '.join(marks)}; expect {self.expect}."


@dataclass(frozen=True, kw_only=True)
class Judged:
    """A visit, and what is said of it.

    readings : of the last moment of the log, by train and stage. checks : each train and stage, where there
    are readings enough; else why_not says what is lacking, and like_for_like what can be said all the same.
    due : what is due. settings : what to set now, and in colder and in warmer water. told : what was found
    when the folder was opened and the visit added.
    """

    site: Site
    when: str
    readings: Mapping[str, list[Reading]]
    result: Result | None
    checks: list[tuple[Check, Trend, Forecast]]
    why_not: str
    like_for_like: Mapping[str, list[LikeForLike]]
    level: float
    due: list[Due] = field(default_factory=list)
    settings: list[Setting] = field(default_factory=list)
    told: list[str] = field(default_factory=list)


def judge(
    log: Log,
    site: Site,
    normalise: Callable[[], Result],
    *,
    level: float,
    triggers: Mapping[str, float],
    asked: Mapping[str, Any],
    due: list[Due],
    told: list[str],
    strict: bool = False,
) -> Judged:
    """Judges the last day of a log; where that can't be, says what can be said, or, if `strict`, refuses."""
    import brinemark as bm

    result: Result | None = None
    checks: list[tuple[Check, Trend, Forecast]] = []
    why_not = ""
    try:
        result = normalise()
        trends = {(trend.train, trend.stage): trend for trend in bm.trend(result, level=level)}
        for check in bm.check(result, level=level, triggers=dict(triggers)):
            trend = trends[check.train, check.stage]
            checks.append((check, trend, bm.forecast(result, trend, triggers=dict(triggers), **asked)))
    except (bm.BaselineError, bm.MissingColumnError) as refusal:
        if strict:
            raise
        why_not = _reason(refusal)
        checks = []
    groups = _last_rows(log)
    return Judged(
        site=site,
        when=_when(log, groups),
        readings={who: _readings(log, rows) for who, rows in groups.items()},
        result=result,
        checks=checks,
        why_not=why_not,
        like_for_like={}
        if result is None or checks
        else {who: _like_for_like(result, rows[-1], level) for who, rows in groups.items()},
        level=level,
        due=due,
        settings=next_settings(log, site, result),
        told=told,
    )


def _reason(refusal: BrinemarkError) -> str:
    """Every fault of a refusal, in a line."""
    return "; ".join(str(fault) for fault in refusal.faults) or str(refusal)


def _last_rows(log: Log) -> dict[str, list[int]]:
    """The rows of the last moment, and of the one before it, by train and stage as words name them."""
    from brinemark.words import group_name

    time = log.time()
    trains, stages = log.labels("train"), log.labels("stage")
    rows: dict[str, list[int]] = {}
    for row in range(len(log)):
        who = group_name(trains[row] if trains else None, stages[row] if stages else None)
        rows.setdefault(who, []).append(row)
    last = time.max()
    return {who: of[-2:] for who, of in rows.items() if time[of[-1]] == last}


def _when(log: Log, groups: Mapping[str, list[int]]) -> str:
    import datetime
    import zoneinfo

    row = next(iter(groups.values()))[-1]
    instant = log.time()[row].astype(datetime.datetime).replace(tzinfo=datetime.UTC)
    try:
        instant = instant.astimezone(zoneinfo.ZoneInfo(log.zone))
    except zoneinfo.ZoneInfoNotFoundError:
        # No table of zones on this machine: UTC says it too.
        return f"{instant:%Y-%m-%d %H:%M} UTC"
    return f"{instant:%Y-%m-%d %H:%M}"


def _readings(log: Log, rows: list[int]) -> list[Reading]:
    found = []
    for name in log.columns:
        if name == "running":
            continue
        figures = log.column(name)
        before = float(figures[rows[0]]) if len(rows) > 1 else math.nan
        if math.isnan(value := float(figures[rows[-1]])):
            continue
        found.append(
            Reading(
                name=name, value=value, unit=log.units[name], before=None if math.isnan(before) else before
            )
        )
    return found


_CHANGES = {
    "normalised_permeate_flow_change": "permeate flow",
    "normalised_salt_passage_change": "salt passage",
    "normalised_differential_pressure_change": "differential pressure",
}


def _like_for_like(result: Result, row: int, level: float) -> list[LikeForLike]:
    wide = NormalDist().inv_cdf(0.5 + 0.5 * level)
    found = []
    for column, name in _CHANGES.items():
        if column not in result or math.isnan(change := float(result[column][row])):
            continue
        u = float(result[f"{column}_u"][row]) if f"{column}_u" in result else math.nan
        known = result.knows_errors and not math.isnan(u)
        low, high = (change - wide * u, change + wide * u) if known else (None, None)
        found.append(LikeForLike(name=name, change=change, low=low, high=high))
    return found


# The water of another season, on either side of today's.
_SWING_DEGC = 5.0


def next_settings(log: Log, site: Site, result: Result | None) -> list[Setting]:
    """What to set in today's water, and in water colder and warmer by 5 °C."""
    import brinemark as bm

    if "feed_temperature" not in log:
        return []
    row = max(rows[-1] for rows in _last_rows(log).values())
    now = float(log.column("feed_temperature", "degC")[row])
    if math.isnan(now):
        return []
    day, today = _day(log, result, row), _as_today(log, result, row)
    in_degf = log.units["feed_temperature"] == "degF"
    found: list[Setting] = []
    for degc in (now, now - _SWING_DEGC, now + _SWING_DEGC):
        if degc <= 0:
            continue
        shown = f"{1.8 * degc + 32:.0f} °F" if in_degf else f"{degc:.0f} °C"
        try:
            found.append(_setting(_reckoned(site, degc, day, today), shown))
        except bm.BrinemarkError as refusal:
            why = _reason(refusal)
            if isinstance(refusal, bm.SiteError):
                # The same at any temperature: said once.
                return [Setting(temperature="any temperature", why_not=why)]
            found.append(Setting(temperature=shown, why_not=why))
    return found


def _day(log: Log, result: Result | None, row: int) -> dict[str, Any]:
    """What the visit tells of the day's water, and of the membranes as they are now."""
    import brinemark as bm

    read = {
        name: value
        for column, unit, name in (
            ("feed_tds", "mg/L", "feed_tds_mg_l"),
            ("feed_conductivity", "uS/cm", "feed_conductivity_us_cm"),
            ("permeate_pressure", "bar", "permeate_pressure_bar"),
        )
        if column in log and not math.isnan(value := float(log.column(column, unit)[row]))
    }
    if "feed_tds_mg_l" in read:
        read.pop("feed_conductivity_us_cm", None)
    found: dict[str, Any] = dict(read)
    if result is not None and "element_water_permeability" in result:
        water, salt, friction = (
            float(result.column(f"{name}", unit)[row])
            for name, unit in (
                ("element_water_permeability", "L/m2/h/bar"),
                ("element_salt_permeability", "L/m2/h"),
                ("spacer_friction", None),
            )
        )
        if not any(map(math.isnan, (water, salt, friction))):
            found["membrane"] = bm.Membrane(
                water_permeability=water, salt_permeability=salt, spacer_friction=friction
            )
    return found


def _as_today(log: Log, result: Result | None, row: int) -> dict[str, Any]:
    """What the visit made, to be asked for where the site file doesn't say what is wanted."""
    found: dict[str, Any] = {}
    for column, name in (("permeate_flow", "permeate_flow_m3_h"), ("recycle_flow", "recycle_flow_m3_h")):
        if column in log and not math.isnan(value := float(log.column(column, "m3/h")[row])):
            found[name] = value
    if result is not None and not math.isnan(recovery := float(result["recovery"][row])):
        found["recovery"] = recovery
    return found


def _reckoned(site: Site, degc: float, day: Mapping[str, Any], today: Mapping[str, Any]) -> Settings:
    """What `settings` says: of what the site file wants, or else of what the unit makes today."""
    import brinemark as bm

    try:
        return bm.settings(site, feed_temperature_degc=degc, **day)
    except bm.SiteError:
        if not {"permeate_flow_m3_h", "recovery"} <= set(today):
            raise
        return bm.settings(site, feed_temperature_degc=degc, **day, **today)


def _setting(found: Settings, temperature: str) -> Setting:
    flow = found.permeate_flow
    recycle = found.recycle_flow
    return Setting(
        temperature=temperature,
        pressure=mark(found.feed_pressure),
        concentrate=mark(found.concentrate_flow),
        recycle="" if recycle is None or recycle.value <= 0 else mark(recycle),
        expect=f"{digits(flow.low)} to {digits(flow.high)} {flow.unit}",
    )


def due_soon(due: list[Due], *, days: int = 30) -> tuple[list[Due], str]:
    """What is overdue, never done, or due within so many days; and what is to be said of the rest."""
    soon = [
        each
        for each in due
        if each.every is not None and (each.due_in_days is None or each.due_in_days <= days)
    ]
    rest = [each for each in due if each not in soon and each.next is not None]
    if not due:
        return soon, "Nothing is listed to be done again: [[service]] in the site file."
    if not rest:
        return soon, "" if soon else "None of the services listed has an interval."
    what = rest[0].sentence.partition(":")[0]
    return soon, f"{'Then' if soon else 'Next due'}: {what}, on {rest[0].next}."
