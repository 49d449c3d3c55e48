"""What to set at a start-up, or when the water has changed, and what then to expect."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, field, fields, is_dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from brinemark import _core
from brinemark.trends import _estimate

if TYPE_CHECKING:
    from brinemark import Estimate, Membrane, Site, Water

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class GaugeSetting:
    """What a gauge is to show.

    column : what it measures, by the name of the log's column. value : what to set it to. unit : its unit.
    exact : what would be set if it had no marks. resolution : the step between its marks; None: not told, any
    figure can be set. off_by : how far the truth may be off when it shows that, either way; None: its
    accuracy is not told, and it is taken as exact.
    """

    column: str
    value: float
    unit: str
    exact: float
    resolution: float | None
    off_by: float | None

    def __repr__(self) -> str:
        off = "" if self.off_by is None else f" ± {self.off_by:.3g}"
        return f"GaugeSetting({self.column}: {self.value:.4g}{off} {self.unit})"


@dataclass(frozen=True, kw_only=True)
class HeldLimit:
    """A limit, and how near to it the unit comes.

    what : what it is about. value : the unit's figure. worst : that figure with gauges and readings off by
    all they may be off by. limit : the figure allowed. is_high : whether that is the most, or the least.
    unit : of the three; ratios in %. source : where the limit comes from.
    """

    what: str
    value: float
    worst: float
    limit: float
    is_high: bool
    unit: str
    source: str

    @property
    def share(self) -> float:
        """How much of the limit is taken up at worst: 1 at the limit."""
        return self.worst / self.limit if self.is_high else self.limit / self.worst

    def __repr__(self) -> str:
        end = "at most" if self.is_high else "at least"
        return f"HeldLimit({self.what}: {self.value:.4g}, {end} {self.limit:.4g} {self.unit})"


@dataclass(frozen=True, kw_only=True)
class Shown:
    """A figure with its unit, of a column of the log."""

    column: str
    value: float
    unit: str

    def __repr__(self) -> str:
        return f"Shown({self.column}: {self.value:.4g} {self.unit})"


@dataclass(frozen=True, kw_only=True)
class QualityAlarm:
    """At what figure of the permeate somebody should be told.

    at : the alarm, by conductivity where the site file tells how it hangs together with salt. expected : the
    figure expected. times : the one over the other (common practice, no source). reached_at : the feed
    temperature at which warm water alone reaches it, with the same flow and recovery; None: not up to the
    warmest that the site allows.
    """

    at: Shown
    expected: Shown
    times: float
    reached_at: Shown | None


@dataclass(frozen=True, kw_only=True)
class Settings:
    """What to set, and what then to expect. Figures are in the units in which the site file speaks of them.

    feed_pressure, concentrate_flow, recycle_flow : what each gauge is to show; recycle_flow is None where the
        unit has none. permeate_flow, permeate_quality, differential_pressure : what to expect, with
        intervals that hold what the site file says may be off; quality by conductivity where the file tells
        how.
    expected : figures of other columns. day : what was given. recovery : what it truly is at these marks.
    recovery_range : least and most, with gauges and readings off by all they may be off by.
    pass_recovery : permeate over what passes the membranes once. inlet_flow, inlet_tds : at the membranes'
        inlet, recycle in it.
    wanted_permeate_flow, wanted_recovery : what was asked for; no flow where a pressure was. stops_flow,
        stops_recovery : what keeps the unit from it.
    limits : each limit. not_told : keys of the site file that would give more limits. taken_as_exact :
        columns whose accuracy the site file doesn't tell.
    scaling : what each scale allows, where the water was analysed: sentence, notes, limits. warnings : what
        to know before anything is set. alarm : QualityAlarm. elements : each element, as it is worked, in
        the order the concentrate runs. membrane : what was reckoned with.
    """

    site_name: str
    feed_pressure: GaugeSetting
    concentrate_flow: GaugeSetting
    recycle_flow: GaugeSetting | None
    permeate_flow: Estimate
    permeate_quality: Estimate
    differential_pressure: Estimate
    expected: tuple[Shown, ...]
    day: tuple[Shown, ...]
    recovery: float
    recovery_range: tuple[float, float]
    pass_recovery: float
    inlet_flow: Shown
    inlet_tds: Shown
    wanted_permeate_flow: Shown | None
    wanted_recovery: float
    stops_flow: tuple[str, ...]
    stops_recovery: tuple[str, ...]
    limits: tuple[HeldLimit, ...]
    not_told: tuple[str, ...]
    taken_as_exact: tuple[str, ...]
    scaling: dict[str, Any] | None
    warnings: tuple[str, ...]
    alarm: QualityAlarm
    elements: tuple[dict[str, Any], ...] = field(repr=False)
    membrane: dict[str, float] = field(repr=False)

    def figure(self, column: str) -> Shown:
        """What is expected of a column, or what the day gave. Raises: KeyError for one that is not told."""
        for shown in (*self.expected, *self.day):
            if shown.column == column:
                return shown
        raise KeyError(column)

    @property
    def sentence(self) -> str:
        """What to set, and what comes of it, in a sentence or two."""
        from brinemark.setting_words import sentence

        return sentence(self)

    @property
    def steps(self) -> list[str]:
        """In which order to turn the valves, and what to watch, in plain steps."""
        from brinemark.setting_words import steps

        return steps(self)

    def to_dict(self) -> dict[str, Any]:
        """All of it as plain values, as JSON takes them."""
        told: dict[str, Any] = {}
        for each in fields(self):
            value = getattr(self, each.name)
            told[each.name] = _estimate(value) if isinstance(value, _core.Estimate) else _plain(value)
        return {**told, "sentence": self.sentence, "steps": self.steps}

    def __repr__(self) -> str:
        return f"Settings({self.sentence})"


def _plain(value: Any) -> Any:
    """A value as JSON takes it."""
    if isinstance(value, tuple):
        return [_plain(each) for each in value]
    return asdict(value) if is_dataclass(value) and not isinstance(value, type) else value


def _shown(told: dict[str, Any]) -> Shown:
    value = told["value"]
    return Shown(column=told["column"], value=float("nan") if value is None else value, unit=told["unit"])


def _day(given: dict[str, Any]) -> dict[str, Any]:
    """What the core asks of a day; what was not given is None."""
    names = (
        *("feed_temperature_degc", "feed_tds_mg_l", "feed_conductivity_us_cm", "permeate_pressure_bar"),
        *("feed_pressure_bar", "permeate_flow_m3_h", "recovery", "recycle_flow_m3_h", "membrane"),
        "water",
    )
    return {name: given.get(name) for name in names}


def settings(
    site: Site,
    *,
    feed_temperature_degc: float,
    feed_tds_mg_l: float | None = None,
    feed_conductivity_us_cm: float | None = None,
    permeate_pressure_bar: float | None = None,
    feed_pressure_bar: float | None = None,
    permeate_flow_m3_h: float | None = None,
    recovery: float | None = None,
    recycle_flow_m3_h: float | None = None,
    membrane: Membrane | None = None,
    water: Water | None = None,
    level: float = 0.90,
) -> Settings:
    """What to set on a day: feed pressure, concentrate and recycle, on the marks of real gauges, inside all
    limits.

    site : Site, with the element's rating, length and spacer. Its [settings], [limits], [element.limits],
        [recycle] and [instruments] tell what is wanted, what is allowed and how well gauges can be set.
    feed_temperature_degc : of the feed [degC], as the laws are valid for
    feed_tds_mg_l, feed_conductivity_us_cm : salt in the raw feed [mg/L], or its conductivity [uS/cm at 25
        degC] where the site file has its factor; None: [assume] feed_tds
    permeate_pressure_bar : [bar]; None: [assume] permeate_pressure
    feed_pressure_bar : a pressure that the unit is to run at [bar], in place of a permeate flow
    permeate_flow_m3_h, recovery : what is wanted [m3/h; a fraction of the raw feed]; None: [settings]
    recycle_flow_m3_h : concentrate to return [m3/h]; None: [settings], or the least that will do
    membrane : Membrane; None: that of the data sheet
    water : Water, the day's analysis; None: [water], scaled to the day's salt, where the site file has it.
        Scales then limit recovery as [scaling] says
    level : how often the intervals of what is expected shall hold the truth, 0.5 to 0.999

    As much permeate as is wanted comes first, then recovery, then little recycle; where limits don't allow
    all, recovery gives way, then flow. Pressure is then set to the nearest mark inside its limit, concentrate
    and recycle to the next mark up, and every limit is held with each gauge, and the day's temperature and
    salt, off by all they may be off by, in every combination.

    Returns: Settings. Raises: SiteError naming each key that is missing and not given; RangeError for a day
    outside what the laws are valid for; SettingsError where no setting keeps all limits.
    Accuracy: that of `predict`; `make study-settings` counts how often gauges break a limit all the same.
    Source: `predict`'s. What a valve is turned for and in which order is common practice, no source.

    >>> import brinemark as bm
    >>> site = bm.Site.load(bm.demo.site_path())
    >>> found = bm.settings(site, feed_temperature_degc=15.0, feed_tds_mg_l=1500.0, permeate_flow_m3_h=9.0,
    ...     recovery=0.5)
    >>> found.feed_pressure
    GaugeSetting(feed_pressure: 153.5 ± 2.25 psi)
    """
    text, estimates = _core.settings(site, _day(locals()), level)
    told = json.loads(text)
    alarm, recycle = told["alarm"], told["set"]["recycle_flow"]
    return Settings(
        site_name=site.name,
        feed_pressure=GaugeSetting(**told["set"]["feed_pressure"]),
        concentrate_flow=GaugeSetting(**told["set"]["concentrate_flow"]),
        recycle_flow=None if recycle is None else GaugeSetting(**recycle),
        permeate_flow=estimates["permeate_flow"],
        permeate_quality=estimates["permeate_quality"],
        differential_pressure=estimates["differential_pressure"],
        expected=tuple(
            _shown(each) for each in (*told["expected"], told["feed_conductivity"]) if each is not None
        ),
        day=tuple(map(_shown, told["day"].values())),
        recovery=told["recovery"],
        recovery_range=tuple(told["recovery_range"]),
        pass_recovery=told["pass_recovery"],
        inlet_flow=_shown(told["inlet_flow"]),
        inlet_tds=_shown(told["inlet_tds"]),
        wanted_permeate_flow=None
        if told["wanted_permeate_flow"] is None
        else _shown(told["wanted_permeate_flow"]),
        wanted_recovery=told["wanted_recovery"],
        stops_flow=tuple(told["stops_flow"]),
        stops_recovery=tuple(told["stops_recovery"]),
        limits=tuple(HeldLimit(**held) for held in told["limits"]),
        not_told=tuple(told["not_told"]),
        taken_as_exact=tuple(told["taken_as_exact"]),
        scaling=told["scaling"],
        warnings=tuple(told["warnings"]),
        alarm=QualityAlarm(
            at=_shown(alarm["at"]),
            expected=_shown(alarm["expected"]),
            times=alarm["times"],
            reached_at=None if alarm["reached_at"] is None else _shown(alarm["reached_at"]),
        ),
        elements=tuple(told["elements"]),
        membrane=told["membrane"],
    )


@dataclass(frozen=True, kw_only=True)
class SettingsMap:
    """What a unit can do over temperature, salt and recovery.

    temperatures_degc, feed_tds_mg_l, recoveries : the axes, in that order. allowed : whether the unit may run
    there. stopped_by_pressure : whether it makes less than asked for, since the pressure may not rise.
    broken : a number of `words`, or -1: which limit is broken, the most as a share of itself.
    permeate_flow_m3_h, feed_pressure_bar, permeate_tds_mg_l, concentrate_tds_mg_l : what comes of it [m3/h,
    bar, mg/L]; NaN where nothing holds together. Arrays of temperature by salt by recovery.
    """

    site_name: str
    temperatures_degc: Array
    feed_tds_mg_l: Array
    recoveries: Array
    allowed: NDArray[np.bool_]
    stopped_by_pressure: NDArray[np.bool_]
    broken: NDArray[np.int16]
    words: tuple[str, ...]
    permeate_flow_m3_h: Array
    feed_pressure_bar: Array
    permeate_tds_mg_l: Array
    concentrate_tds_mg_l: Array

    def __repr__(self) -> str:
        share = 100.0 * float(self.allowed.mean())
        limits = ", ".join(self.words) or "none"
        return f"SettingsMap({self.allowed.size} points, {share:.0f} % allowed; broken elsewhere: {limits})"


def settings_map(
    site: Site,
    *,
    temperatures_degc: Sequence[float] | Array,
    feed_tds_mg_l: Sequence[float] | Array,
    recoveries: Sequence[float] | Array,
    permeate_pressure_bar: float | None = None,
    feed_pressure_bar: float | None = None,
    permeate_flow_m3_h: float | None = None,
    recycle_flow_m3_h: float | None = None,
    membrane: Membrane | None = None,
    water: Water | None = None,
) -> SettingsMap:
    """Where a unit may run over temperature, salt and recovery, and which limit forbids the rest.

    temperatures_degc, feed_tds_mg_l, recoveries : 1-d array-like, the points of each axis [degC, mg/L, -].
    What else is asked for is as in `settings`; recycle is what is given, or [settings] recycle_flow, or
    none. Gauges are taken as exact.

    Returns: SettingsMap. Raises: as `settings`, but for limits that can't be kept: those are what the map
    shows.
    Accuracy, source: those of `settings`.

    >>> import brinemark as bm
    >>> site = bm.Site.load(bm.demo.site_path())
    >>> bm.settings_map(site, temperatures_degc=[5, 25], feed_tds_mg_l=[1500], recoveries=[0.5, 0.7],
    ...     permeate_flow_m3_h=9.0)
    SettingsMap(4 points, 50 % allowed; broken elsewhere: recovery)
    """
    axes = [np.asarray(axis, float) for axis in (temperatures_degc, feed_tds_mg_l, recoveries)]
    if any(axis.ndim != 1 or axis.size == 0 for axis in axes):
        raise ValueError("temperatures_degc, feed_tds_mg_l and recoveries: each a row of at least one figure")
    day = _day({**locals(), "feed_temperature_degc": float(axes[0][0]), "feed_tds_mg_l": None})
    found = _core.settings_map(site, day, *(axis.tolist() for axis in axes))
    shape = tuple(axis.size for axis in axes)
    figures = ("permeate_flow_m3_h", "feed_pressure_bar", "permeate_tds_mg_l", "concentrate_tds_mg_l")
    return SettingsMap(
        site_name=site.name,
        temperatures_degc=axes[0],
        feed_tds_mg_l=axes[1],
        recoveries=axes[2],
        words=tuple(found["broken_words"]),
        **{
            name: found[name].reshape(shape)
            for name in ("allowed", "stopped_by_pressure", "broken", *figures)
        },
    )
