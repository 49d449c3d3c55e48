"""Trains and periods compared: which pretreatment fouls less, and how long a trial must be to know."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any, Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from brinemark import _core
from brinemark.trends import _estimate, _plain

if TYPE_CHECKING:
    from brinemark.frames import Result

Design = Literal["parallel", "before-after", "before-after-control", "crossover"]
Measure = Literal[
    "fouling_rate",
    "pressure_rise",
    "salt_passage",
    "differential_pressure",
    "days_between_cleanings",
    "specific_energy",
    "water_used",
    "cost",
]
Time = str | datetime | np.datetime64

MEASURES: tuple[Measure, ...] = (
    "fouling_rate",
    "pressure_rise",
    "salt_passage",
    "differential_pressure",
    "days_between_cleanings",
    "specific_energy",
    "water_used",
    "cost",
)
"""What arms are compared by.

Rates are in 1/y of the logarithm, cleanings apart; salt passage and differential pressure like for like
against each reference; energy of the feed pump, raw water and cost for each m3 of permeate (cost where prices
are given). More is worse of all but days_between_cleanings."""

WEEKS = (4.0, 6.0, 8.0, 12.0, 16.0, 20.0, 26.0, 39.0, 52.0)

CAUTION = (
    "This is evidence for people to weigh, not a ruling: it holds for these trains, this water and this "
    "time. Change pretreatment, chemicals and flux only as the manufacturers' instructions, local codes and "
    "licensed practice allow. Whether water is fit to drink is for an accredited laboratory to test."
)


@dataclass(frozen=True, kw_only=True)
class Arm:
    """A train over a time with a treatment.

    result : Result of its log. treatment : what is done to its water, in a word or two. train, stage : which,
        where the log tells several. start, end : from when until before when, ISO 8601 (without an offset: in
        the log's zone), datetime or datetime64 (UTC); None: where the log begins or ends. cleanings : when
        its membranes were cleaned; None: as the site file tells. treatment_cost : of a m3 of permeate, in the
        currency of the prices.
    """

    result: Result
    treatment: str
    train: str | None = None
    stage: str | None = None
    start: Time | None = None
    end: Time | None = None
    cleanings: Sequence[Time] | None = None
    treatment_cost: float = 0.0

    def __repr__(self) -> str:
        train = "" if self.train is None else f", train {self.train}"
        return f"Arm({self.treatment!r}{train}, {self.start or 'begin'} to {self.end or 'end'})"


@dataclass(frozen=True, kw_only=True)
class TrialPrices:
    """What things cost, all in one currency.

    energy_per_kwh : a kilowatt hour. water_per_m3 : a m3 of raw water. cleaning : one cleaning, with
        chemicals, work and standstill. pump_efficiency : hydraulic over electrical power, 0.05 to 1.
    """

    energy_per_kwh: float
    water_per_m3: float = 0.0
    cleaning: float = 0.0
    pump_efficiency: float = 0.65


class _Listed:
    """What is told of as plain values for JSON."""

    def to_dict(self) -> dict[str, Any]:
        """All of it as plain values, as JSON knows them; a missing figure is None."""
        return {name: _listed(getattr(self, name)) for name in self.__annotations__}


def _listed(value: Any) -> Any:
    if isinstance(value, _Listed):
        return value.to_dict()
    if isinstance(value, _core.Estimate):
        return {**_estimate(value), "method": value.method}
    if isinstance(value, np.ndarray):
        return _listed(
            value.astype("datetime64[s]").astype(str).tolist() if value.dtype.kind == "M" else value.tolist()
        )
    if isinstance(value, dict):
        return {key: _listed(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_listed(one) for one in value]
    return _plain(value) if isinstance(value, float) else value


@dataclass(frozen=True, kw_only=True)
class PlaceboRun(_Listed):
    """The same comparison where nothing changed.

    differences : what it finds there, each time it was moved by half its length. floor : their root mean
        square. called : how many of them a test at the risk calls a difference. lasts_days : how long it
        lasts; where that is less than the trial, the trial's own floor is lower.
    """

    differences: tuple[float, ...]
    floor: float
    called: int
    lasts_days: float

    def __repr__(self) -> str:
        tried = len(self.differences)
        called = f"{self.called} of {tried} called"
        return f"PlaceboRun(floor {self.floor:.3g}, {called}, {self.lasts_days:.0f} days each)"


@dataclass(frozen=True, kw_only=True)
class Effect(_Listed):
    """What a treatment does to one measure, against the control.

    difference : treated less control: of rates in 1/y, else as a fraction of the control's. relative : as a
        fraction of the control's; None where that is not clear of 0. of_control, of_treated : the arms' own
        figures; of a before-after-control, what would be without the treatment. p : how often chance alone
        makes a difference at least so large. p_adjusted : by Holm's rule over all tests of the comparison.
        p_not_worse, p_equivalent : the same for "no worse than the margin" and for "alike within the margin"
        (two one-sided tests; by themselves, of no family). differs, not_worse, equivalent : whether these are
        below the risk. days : days (or runs) it stands on; set_aside : days that were not. noise : standard
        deviation of a day, as a fraction; wander_share, wander_days : how much of its variance wanders and
        for how long; block_days : mean block of the bootstrap. placebo : the noise floor. missing : why it
        can't be judged, or only in part.
    """

    measure: Measure
    treatment: str
    unit: str
    difference: _core.Estimate | None
    relative: _core.Estimate | None
    of_control: _core.Estimate | None
    of_treated: _core.Estimate | None
    p: float
    p_adjusted: float
    p_not_worse: float
    p_equivalent: float
    differs: bool
    not_worse: bool
    equivalent: bool
    days: int
    set_aside: int
    noise: float
    wander_share: float
    wander_days: float
    block_days: float | None
    placebo: PlaceboRun | None
    missing: str | None

    @property
    def verdict(self) -> str:
        """In a few words."""
        if self.difference is None:
            return "can't be judged"
        shown = []
        if self.differs:
            shown.append("higher" if self.difference.value > 0 else "lower")
        if self.equivalent:
            shown.append("alike within the margin")
        elif self.not_worse:
            shown.append("no worse than the margin allows")
        return ", ".join(shown) or "no difference shown, nor likeness"

    def __repr__(self) -> str:
        told = self.relative or self.difference
        said = self.missing if told is None else told
        return f"Effect({self.measure}, {self.treatment!r}: {said}; {self.verdict})"


@dataclass(frozen=True, kw_only=True)
class Overlap(_Listed):
    """How far a condition of two arms overlaps.

    condition : "temperature", "salinity" or "flux", in unit. arms : the two. medians : theirs. shares : of
        each one's days, those within the other's middle nine tenths, widened by what counts as alike. is_like
        : whether both are large enough.
    """

    condition: str
    unit: str
    arms: tuple[str, str]
    medians: tuple[float, float]
    shares: tuple[float, float]
    is_like: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class ArmCourse(_Listed):
    """The days of an arm: times in UTC, and changes against the reference as fractions, by quantity."""

    name: str
    time: NDArray[np.datetime64]
    changes: dict[str, NDArray[np.float64]]

    def __repr__(self) -> str:
        return f"ArmCourse({self.name}, {len(self.time)} days)"


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison(_Listed):
    """What came of a trial: see `compare`.

    effects : each measure of each treatment. overlaps : how far the arms' conditions overlap. unlike : what
        is not alike, in words; where it is not empty, like was not compared with like. family : how many
        tests Holm's rule was used on. warnings : what a reader must know. arms : their days.
    """

    design: Design
    control: str
    level: float
    risk: float
    margin: float
    seed: int
    method: str
    family: int
    effects: tuple[Effect, ...]
    overlaps: tuple[Overlap, ...]
    unlike: tuple[str, ...]
    warnings: tuple[str, ...]
    arms: tuple[ArmCourse, ...]
    inputs: tuple[str, ...]
    version: str
    caution: str = CAUTION

    def effect(self, measure: Measure, treatment: str | None = None) -> Effect:
        """The effect on a measure. Raises KeyError where it was not compared, or of several treatments."""
        found = [one for one in self.effects if one.measure == measure and treatment in (None, one.treatment)]
        if len(found) != 1:
            raise KeyError(f"{measure}, {treatment}: {len(found)} effects")
        return found[0]

    @property
    def sentence(self) -> str:
        """The fouling rate's effect, or the first there is, in a sentence or two."""
        mark = "NOT LIKE FOR LIKE. " if self.unlike else ""
        told = [_said(one, self) for one in self.effects if one.measure == self.effects[0].measure]
        return mark + " ".join(told)

    def __repr__(self) -> str:
        mark = ", NOT LIKE FOR LIKE" if self.unlike else ""
        count = f"{len(self.arms)} arms, {len(self.effects)} effects{mark}"
        return f"Comparison({self.design}, {count}: {self.sentence})"


def _said(effect: Effect, of: Comparison) -> str:
    name = effect.measure.replace("_", " ").capitalize()
    told = effect.relative or effect.difference
    if told is None:
        return f"{name}: {effect.missing}."
    factor, unit = (100, "%") if effect.relative else (1, told.unit)
    by, low, high = (f"{factor * end:+.3g}".replace("-", "−") for end in (told.value, told.low, told.high))
    return (
        f"{name} with '{effect.treatment}' against '{of.control}': {by} {unit} "
        f"({100 * of.level:.0f} % interval {low} to {high}); "
        f"{effect.verdict} (p {effect.p_adjusted:.2g} by Holm's rule over {of.family} tests)."
    )


def compare(
    arms: Sequence[Arm],
    *,
    design: Design = "parallel",
    control: str | None = None,
    measures: Sequence[Measure] = MEASURES,
    margin: float = 0.10,
    level: float = 0.90,
    risk: float = 0.05,
    method: Literal["state-space", "block-bootstrap"] = "state-space",
    draws: int = 2000,
    seed: int = 1,
    washout_days: float = 0.0,
    prices: TrialPrices | None = None,
    placebo: tuple[Time, Time] | None = None,
    like_temperature_k: float = 1.0,
    like_salinity: float = 0.10,
    like_flux: float = 0.10,
    like_share: float = 0.75,
    allow_unlike: bool = False,
) -> Comparison:
    """Compares trains or periods: what a treatment does to fouling, salt, pressure, energy, water, cost.

    arms : two or more. design : "parallel" (trains side by side, paired by day; several treatments may stand
        beside one control), "before-after" (one train), "before-after-control" (four arms: the treated train
        and another, before and after), "crossover" (two trains that change treatments from period to period).
    control : the control's treatment; None: the first arm's. measures : of `MEASURES`. margin : how much more
        than the control's counts as no worse, 0.001 to 10. level : how often an interval shall hold the true
        figure, 0.5 to 0.999. risk : how often a difference may be called where there is none, the whole
        family together. method : "state-space" or "block-bootstrap" (of at least 100 draws, by the seed).
        washout_days : at the begin of each arm, not counted. prices : TrialPrices; None compares no cost.
        placebo : from when until when nothing changed and all trains had the control's treatment: there the
        same comparison is run for its noise floor. like_temperature_k, like_salinity, like_flux : how far
        apart counts as alike (the latter as fractions); like_share : of each arm's days, how many must be
        like days of the other.
        allow_unlike : compare all the same, and mark the outcome.

    Returns: Comparison. Each day's figure is the median of its readings, its logarithm y; of paired arms, the
        difference of the same day. In each stretch y = height + slope t + (K - K_law) x + wander + noise: a
        height for each run between cleanings and calibrations told; x = 1/298.15 K - 1/T, of unpaired arms
        alone, with what is thought of K beforehand; wander a first-order autoregression in continuous time.
        The effect is a contrast of the slopes (rates) or heights (the rest); share and memory of the wander
        are weighed by their restricted likelihood, and what instruments usually drift is added.
        The relative effect of a rate is by Fieller. Holm's rule takes all measures of all treatments
        together.
    Raises: RangeError for settings out of range; MethodError where arms were normalised by different methods,
        for different units or kinds of reference; SeriesError where arms are not those of the design, or not
        alike (it says in what, and by how much), or membranes were replaced within one.
    Accuracy: see `make study-evidence`, which counts on simulated trials how often intervals hold the truth.
    Source: GLS with AR(1) errors and REML: any textbook of mixed models (from memory); bootstrap: Politis and
        Romano (1994), Patton, Politis and White (2009); Holm (1979); all checked against scipy and
        statsmodels in the tests. Margins, and what counts as alike: common practice, no source.

    >>> import brinemark as bm
    >>> result = bm.normalise(bm.read_log(bm.demo.log_path()), bm.Site.load(bm.demo.site_path()))
    >>> start, middle, end = (str(day) for day in result.time()[[900, 1900, -1]])
    >>> arms = [bm.Arm(result=result, treatment="before", start=start + "Z", end=middle + "Z"),
    ...         bm.Arm(result=result, treatment="after", start=middle + "Z", end=end + "Z")]
    >>> trial = bm.compare(arms, design="before-after", allow_unlike=True)
    >>> trial.effect("salt_passage").difference.level
    0.9
    """
    if not arms:
        raise _core.SeriesError("there is no arm; two at least")
    named = control if control is not None else arms[0].treatment
    found = _core.compare(
        [_given(arm) for arm in arms],
        ((design, named, list(measures), method), (level, risk, margin), (draws, seed, washout_days)),
        None
        if prices is None
        else (prices.energy_per_kwh, prices.water_per_m3, prices.cleaning, prices.pump_efficiency),
        ((like_temperature_k, like_salinity, like_flux, like_share), allow_unlike),
        None if placebo is None else (_time(placebo[0], arms[0].result), _time(placebo[1], arms[0].result)),
    )
    return Comparison(
        design=design,
        control=named,
        level=level,
        risk=risk,
        margin=margin,
        seed=seed,
        method=found["method"],
        family=found["family"],
        effects=tuple(_effect(one, risk) for one in found["effects"]),
        overlaps=tuple(Overlap(**one) for one in found["overlaps"]),
        unlike=tuple(found["unlike"]),
        warnings=tuple(found["warnings"]),
        arms=tuple(_course(name, days) for name, days in found["arms"]),
        inputs=tuple(dict.fromkeys(arm.result.input_hash for arm in arms)),
        version=_core.__version__,
    )


def _effect(found: dict[str, Any], risk: float) -> Effect:
    placebo = found.pop("placebo")
    return Effect(
        **found,
        differs=found["p_adjusted"] < risk,
        not_worse=found["p_not_worse"] < risk,
        equivalent=found["p_equivalent"] < risk,
        placebo=None
        if placebo is None
        else PlaceboRun(**{**placebo, "differences": tuple(placebo["differences"])}),
    )


def _course(name: str, days: list[tuple[float, list[float]]]) -> ArmCourse:
    time = np.array([day for day, _ in days]) * 86400e6
    logs = np.array([logs for _, logs in days]).reshape(-1, 3)
    quantities = ("water_permeability", "salt_permeability", "pressure_drop")
    return ArmCourse(
        name=name,
        time=time.astype("datetime64[us]"),
        changes={quantity: np.expm1(logs[:, at]) for at, quantity in enumerate(quantities)},
    )


def _given(arm: Arm) -> tuple[Any, ...]:
    time = arm.result.time()
    if len(time) == 0:
        raise _core.SeriesError(f"arm '{arm.treatment}': its log has no readings")
    start = int(time.min().astype(np.int64)) if arm.start is None else _time(arm.start, arm.result)
    end = int(time.max().astype(np.int64)) + 1 if arm.end is None else _time(arm.end, arm.result)
    cleanings = None if arm.cleanings is None else [_time(when, arm.result) for when in arm.cleanings]
    return (
        arm.result._core,
        arm.treatment,
        arm.train,
        arm.stage,
        (start, end),
        cleanings,
        arm.treatment_cost,
    )


def _time(time: Time, result: Result) -> int:
    """Microseconds since 1970 UTC."""
    if isinstance(time, np.datetime64):
        return int(time.astype("datetime64[us]").astype(np.int64))
    try:
        when = datetime.fromisoformat(time) if isinstance(time, str) else time
    except ValueError:
        raise _core.SeriesError(f"'{time}' is no time; ISO 8601, such as 2025-03-01") from None
    if when.tzinfo is None:
        when = when.replace(tzinfo=ZoneInfo(result.zone))
    return round(when.timestamp() * 1e6)


@dataclass(frozen=True, kw_only=True)
class PowerCurve(_Listed):
    """Power against length for so many readings a week; weeks_needed None: the longest is not enough."""

    readings_per_week: int
    weeks: tuple[float, ...]
    power: tuple[float, ...]
    weeks_needed: float | None

    def __repr__(self) -> str:
        needed = "not enough" if self.weeks_needed is None else f"{self.weeks_needed:.0f} weeks"
        return f"PowerCurve({self.readings_per_week} readings a week: {needed})"


@dataclass(frozen=True, kw_only=True)
class TrialPlan(_Listed):
    """How long a trial must be: see `plan_trial`.

    fouling_rate : the plant's, 1/y. noise : standard deviation of a day's difference of two trains, as a
        fraction. wander_share, wander_days : how much of its variance wanders, and for how long: against that
        only time helps, against the rest more readings too. of_pair : whether the log has two trains; of one,
        two are taken to know nothing of each other. days : of the log, that tell it. cuts_per_year :
        cleanings and calibrations told, of both trains: at each a line begins anew, which costs power. curves
        : power against length. columns : what must be read, and where each comes from here. instruments :
        share of each in the variance of a single reading's water permeability, where the site file tells how
        good they are.
    """

    design: Design
    reduction: float
    power: float
    risk: float
    seed: int
    fouling_rate: _core.Estimate
    noise: float
    wander_share: float
    wander_days: float
    of_pair: bool
    days: int
    cuts_per_year: float
    curves: tuple[PowerCurve, ...]
    columns: dict[str, str]
    instruments: dict[str, float]
    caution: str = CAUTION

    @property
    def sentence(self) -> str:
        """What is needed, in a sentence or two."""
        told = []
        for curve in self.curves:
            longest = f"more than {curve.weeks[-1]:.0f} weeks"
            needed = longest if curve.weeks_needed is None else f"{np.ceil(curve.weeks_needed):.0f} weeks"
            times = "one reading" if curve.readings_per_week == 1 else f"{curve.readings_per_week} readings"
            told.append(f"{needed} with {times} a week")
        return (
            f"To see a {100 * self.reduction:.0f} % lower fouling rate "
            f"({self.fouling_rate.value:.3g} 1/y here) with {100 * self.power:.0f} % power, {self.design}: "
            f"{', '.join(told)}."
        )

    def __repr__(self) -> str:
        return f"TrialPlan({self.sentence})"


def plan_trial(
    result: Result,
    *,
    beside: Result | None = None,
    train: str | None = None,
    beside_train: str | None = None,
    start: Time | None = None,
    end: Time | None = None,
    design: Design = "parallel",
    reduction: float = 0.20,
    power: float = 0.80,
    risk: float = 0.05,
    readings_per_week: Sequence[int] = (7, 3, 1),
    weeks: Sequence[float] = WEEKS,
    fouling_rate_per_year: float | None = None,
    draws: int = 1000,
    seed: int = 1,
    level: float = 0.90,
) -> TrialPlan:
    """How many weeks, and which readings, a trial needs to see a lower fouling rate, by this plant's noise.

    result : Result of the plant's log. beside : Result of a second train's log at the same time; beside_train
        : its label, where the log (of result, without beside) has several. train : label of the first. start,
        end : of the log that is taken, as in `Arm`. design : as in `compare`, but for "before-after".
        reduction : how much lower a rate shall be seen, 0.01 to 1. power : how often, 0.1 to 0.99. risk : of
        a difference called where there is none. readings_per_week : 1 to 7, each tried; weeks : lengths of
        the whole trial, 4 to 520, each tried. fouling_rate_per_year : without the treatment; None takes the
        log's, with its uncertainty.
        draws : trials drawn, 100 to a million. seed : the same gives the same figures.

    Returns: TrialPlan. Noise is that of the log in pieces of 12 weeks, each with a line of its own; trials
        are drawn from it, with all that the log leaves open of noise and rate, and analysed as `compare`
        does.
    Raises: RangeError for settings out of range; SeriesError where the log is too short or its rate not clear
        of 0.
    Accuracy: power to about 1/√draws, by the noise of the log; what a trial meets that the log did not is not
        in it. Of simulated trials planned for 70 to 100 % (90 in the mean) 80 % saw the difference: ask for
        90 % where 80 % is meant. Over all, planned and achieved power agree (49.5 and 47.7 %, `make
        study-evidence`).
    Source: simulation; with independent noise it is the power of Student's t test (statsmodels, in the
        tests).

    >>> import brinemark as bm
    >>> result = bm.normalise(bm.read_log(bm.demo.log_path()), bm.Site.load(bm.demo.site_path()))
    >>> few = {"weeks": (26, 52), "readings_per_week": (7,), "draws": 100}
    >>> plan = bm.plan_trial(result, fouling_rate_per_year=0.2, **few)
    >>> plan.curves[0].power[0] <= plan.curves[0].power[1]
    True
    """
    arms = [Arm(result=result, treatment="", train=train, start=start, end=end)]
    if beside is not None or beside_train is not None:
        arms.append(Arm(result=beside or result, treatment="", train=beside_train, start=start, end=end))
    found = _core.plan_trial(
        [_given(arm) for arm in arms],
        _asked(
            design,
            reduction,
            power,
            risk,
            level,
            readings_per_week,
            weeks,
            fouling_rate_per_year,
            draws,
            seed,
        ),
    )
    curves = found.pop("curves")
    return TrialPlan(
        **found,
        design=design,
        reduction=reduction,
        power=power,
        risk=risk,
        seed=seed,
        curves=tuple(
            PowerCurve(**{**curve, "weeks": tuple(curve["weeks"]), "power": tuple(curve["power"])})
            for curve in curves
        ),
        columns={
            entry.column: f"{entry.kind}: {entry.detail}"
            for entry in result.provenance
            if entry.column != "running"
        },
        instruments=_instruments(result),
    )


def _asked(
    design: Design,
    reduction: float,
    power: float,
    risk: float,
    level: float,
    per_week: Sequence[int],
    weeks: Sequence[float],
    rate: float | None,
    draws: int,
    seed: int,
) -> tuple[Any, ...]:
    if any(count != int(count) or count < 0 for count in per_week):
        raise _core.RangeError(f"readings_per_week {list(per_week)}: whole numbers, 1 to 7")
    times = ([int(count) for count in per_week], [float(week) for week in weeks])
    return (design, (reduction, power, risk, level), times, rate, (draws, seed))


def _instruments(result: Result) -> dict[str, float]:
    if not result.knows_errors or "permeate_flow" not in result.analyses:
        return {}
    from brinemark.frames import budget

    used = np.flatnonzero(result.used)
    shares = budget(result, "normalised_permeate_flow", row=int(used[len(used) // 2])).shares
    return {part.source: part.share for part in shares}


def trial_power(
    *,
    noise: float,
    wander_share: float,
    wander_days: float,
    fouling_rate_per_year: float,
    weeks: float,
    design: Design = "parallel",
    reduction: float = 0.20,
    risk: float = 0.05,
    readings_per_week: int = 7,
    draws: int = 1000,
    seed: int = 1,
) -> float:
    """How often a trial sees a lower fouling rate, where the noise is known.

    noise : standard deviation of a day's difference of two trains, as a fraction. wander_share : of its
        variance, 0 to 0.98; wander_days : for how long, above 0. fouling_rate_per_year : without the
        treatment. The rest is as in `plan_trial`; no instrument drifts.

    Returns: float, the share of `draws` simulated trials in which the difference is called.
    Raises: RangeError for settings out of range. Source: as `plan_trial`.

    >>> import brinemark as bm
    >>> noise = {"noise": 0.02, "wander_share": 0.0, "wander_days": 1.0}
    >>> power = bm.trial_power(**noise, fouling_rate_per_year=0.3, weeks=12)
    >>> 0 < power < 1
    True
    """
    for what, value, low, high in (
        ("noise", noise, 1e-9, 10.0),
        ("wander_share", wander_share, 0.0, 0.98),
        ("wander_days", wander_days, 1e-3, 1e4),
    ):
        if not low <= value <= high:
            raise _core.RangeError(f"{what} is {value}, outside {low} to {high}")
    asked = _asked(
        design, reduction, 0.8, risk, 0.9, [readings_per_week], [weeks], fouling_rate_per_year, draws, seed
    )
    return _core.trial_power((noise, wander_share, wander_days), fouling_rate_per_year, asked)[0]
