"""How the simulated membranes age, foul and are cleaned (see ageing.py).

All figures of ageing and of causes are common practice, no source, with spreads from memory; they are there
to be wide of any one plant, not to be like it.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Range = tuple[float, float]

YEAR = 365.25


def stream(seed: int, purpose: str) -> np.random.Generator:
    """Random figures for one purpose, which no other purpose moves."""
    return np.random.default_rng([seed, zlib.crc32(purpose.encode())])


def wander(random: np.random.Generator, days: int, sd: float, memory_days: float) -> Array:
    """A first-order autoregression with this standard deviation and correlation time."""
    share = float(np.exp(-1.0 / memory_days))
    new = random.normal(0.0, sd * np.sqrt(1.0 - share**2), days)
    new[0] *= 1.0 / np.sqrt(1.0 - share**2)
    made = np.empty(days)
    last = 0.0
    for day in range(days):
        last = share * last + new[day]
        made[day] = last
    return made


@dataclass(frozen=True)
class Cleaning:
    """One cleaning: its day, the share of the fouling that it took away, and the time the site file tells."""

    day: int
    recovered: float
    told: np.datetime64 | None


@dataclass(frozen=True)
class State:
    """Membranes day by day, as logarithms of what they were when new; 0 is new.

    Each an array of the days. `trend` is without the short-lived variation of a few days. A rate is the
    trend's, a year, to the next day, without the jumps of cleanings and leaks: -0.05 is a decline of 5 %.
    """

    water: Array
    salt: Array
    friction: Array
    water_trend: Array
    salt_trend: Array
    friction_trend: Array
    water_rate: Array
    salt_rate: Array
    friction_rate: Array


@dataclass(frozen=True)
class Signature:
    """What a cause does, for each unit of ln A that it loses (of its own measure, where it loses none)."""

    # Of ln A; and of ln B and ln friction, drawn evenly, and the power of the loss that they follow.
    water: Range
    salt: Range
    friction: Range
    friction_power: Range = (1.0, 1.0)
    # The last stage's share over the first's, or the reverse: the smaller of the two.
    smaller: Range = (1.0, 1.0)
    worse: str = "first"
    shapes: tuple[str, ...] = ("linear", "accelerating", "saturating")
    most: float = 0.4
    cleans: bool = True


# After the table of patterns in common use (common practice, no source; the ranges are from memory).
SIGNATURES = {
    "particulate": Signature((-1, -1), (0.0, 0.4), (0.5, 1.5), smaller=(0.0, 0.4)),
    "biofouling": Signature(
        (-1, -1), (0.0, 0.4), (1.5, 3.0), (0.5, 0.8), (0.2, 0.7), shapes=("accelerating",), most=0.3
    ),
    "organic": Signature((-1, -1), (-0.4, 0.05), (0.0, 0.1), smaller=(0.6, 1.0)),
    "scaling": Signature(
        (-1, -1),
        (0.5, 1.5),
        (0.2, 0.8),
        (2.0, 3.0),
        (0.0, 0.2),
        "last",
        ("linear", "accelerating"),
        most=0.25,
    ),
    "oxidation": Signature(
        (0.1, 0.5), (2.0, 4.0), (0.0, 0.0), smaller=(0.3, 1.0), shapes=("accelerating",), cleans=False
    ),
    "leak": Signature((0.0, 0.05), (2.0, 4.0), (0.0, 0.0), shapes=("step",), cleans=False),
}
# The least loss at the end, as a share.
LEAST = 0.05
MOST_CLEANINGS = 6
# Of ln friction, mean of all stages.
MOST_FRICTION = 0.7


@dataclass(frozen=True)
class Membranes:
    """All that becomes of the membranes."""

    train: State
    stages: tuple[State, ...]
    # What of ln A is early compaction.
    settling: Array
    detail: str
    cleanings: tuple[Cleaning, ...]


def age(
    seed: int, kind: str, shares: Array, days: int, onset: int, cleaned: bool, start: np.datetime64
) -> Membranes:
    """The membranes of one plant; `shares` of the area are its stages'."""
    worn, settling = _worn(seed, days)
    level, unit, detail = np.zeros(days), 1.0, ""
    cleanings: tuple[tuple[int, float], ...] = ()
    if kind in SIGNATURES:
        level, unit, cleanings, detail = _level(seed, kind, days, onset, cleaned)
    elif cleaned:
        cleanings = _in_vain(seed, kind, days)
    jumps = [day for day, _ in cleanings] + ([onset - 1] if kind == "leak" else [])
    # Water that breathes for a few days: bubbles, valves, what nobody writes down.
    random = stream(seed, "day to day")
    breath = wander(random, days, 0.004, random.uniform(2.0, 5.0))
    stages = []
    for done in _signals(seed, kind, shares, level, unit, onset):
        trends = [one + other for one, other in zip(worn, done, strict=True)]
        rates = [_rate(trend, jumps) for trend in trends]
        stages.append(State(trends[0] + breath, trends[1], trends[2], *trends, *rates))
    mean = {
        name: np.asarray(sum(s * getattr(stage, name) for s, stage in zip(shares, stages, strict=True)))
        for name in State.__dataclass_fields__
    }
    return Membranes(State(**mean), tuple(stages), settling, detail, _told(seed, kind, cleanings, start))


def _worn(seed: int, days: int) -> tuple[list[Array], Array]:
    """Logarithms of water, salt and friction of membranes that only age; and what of water is compaction."""
    random = stream(seed, "ageing")
    first = [-random.uniform(0.01, 0.05), random.uniform(0.02, 0.06), random.uniform(0.01, 0.05)]
    worn = []
    for rate in first:
        # Of itself a random walk: in a year it moves by 1 % a year.
        rates = rate + np.cumsum(random.normal(0.0, 0.01 / np.sqrt(YEAR), days))
        worn.append(np.concatenate([[0.0], np.cumsum(rates[:-1])]) / YEAR)
    compacted, within = random.uniform(0.0, 0.08), random.uniform(10.0, 60.0)
    settling = -compacted * (1.0 - np.exp(-np.arange(days) / within))
    worn[0] += settling
    return worn, settling


def _growth(random: np.random.Generator, shape: str, days: int, onset: int) -> Array:
    """The growth of each day, all of it 1."""
    x = np.clip((np.arange(days) + 1.0 - onset) / (days - onset), 0.0, 1.0)
    bend = random.uniform(1.5, 4.0)
    if shape == "step":
        risen = (x > 0).astype(float)
    elif shape == "linear":
        risen = x
    elif shape == "accelerating":
        risen = np.expm1(bend * x) / np.expm1(bend)
    else:
        risen = np.expm1(-bend * x) / np.expm1(-bend)
    # Its rate wanders too.
    grown = np.diff(risen, prepend=0.0) * np.exp(wander(random, days, 0.3, 60.0))
    return np.asarray(grown / grown.sum())


def _level(
    seed: int, kind: str, days: int, onset: int, cleaned: bool
) -> tuple[Array, float, tuple[tuple[int, float], ...], str]:
    """Loss of ln A that the cause made, day by day, mean of all stages; its scale; cleanings; its shape."""
    random, of_cleaning = stream(seed, kind), stream(seed, "cleaning")
    signature = SIGNATURES[kind]
    shape = str(random.choice(signature.shapes))
    growth = _growth(random, shape, days, onset)
    lost = -float(np.log1p(-random.uniform(LEAST, signature.most)))
    if not cleaned:
        return lost * np.cumsum(growth), lost, (), shape
    if not signature.cleans:
        return lost * np.cumsum(growth), lost, _in_vain(seed, kind, days), shape
    trigger = -float(np.log1p(-of_cleaning.uniform(0.08, 0.2)))
    count = int(of_cleaning.integers(2, MOST_CLEANINGS + 1))
    recovered = of_cleaning.uniform(0.5, 1.0, count)
    # What was fouled once fouls faster.
    speed = np.cumprod(np.concatenate([[1.0], of_cleaning.uniform(1.0, 1.3, count)]))
    # As much growth as brings the plant to its trigger so often, and some of the way once more.
    ways = recovered / speed[1:]
    ways[-1] *= of_cleaning.uniform(0.1, 0.9)
    growth *= trigger * (1.0 + ways.sum())
    level, last = np.empty(days), 0.0
    done: list[tuple[int, float]] = []
    for day in range(days):
        last += growth[day] * speed[len(done)]
        level[day] = last
        if last >= trigger and len(done) < count:
            done.append((day, float(recovered[len(done)])))
            last *= 1.0 - done[-1][1]
    return level, trigger, tuple(done), shape


def _in_vain(seed: int, kind: str, days: int) -> tuple[tuple[int, float], ...]:
    """Cleanings where there is nothing to clean."""
    random = stream(seed, f"cleaning in vain {kind}")
    count = random.integers(2, MOST_CLEANINGS + 1)
    return tuple((int(day), 0.0) for day in np.sort(random.choice(np.arange(60, days), count, replace=False)))


def _told(
    seed: int, kind: str, cleanings: tuple[tuple[int, float], ...], start: np.datetime64
) -> tuple[Cleaning, ...]:
    random = stream(seed, f"told {kind}")
    made = []
    for day, recovered in cleanings:
        hours = round(24.0 * (day + 0.5 + random.uniform(-1.0, 1.0)))
        told = start + np.timedelta64(hours, "h") if random.random() < 0.5 else None
        made.append(Cleaning(day, recovered, told))
    return tuple(made)


def _signals(
    seed: int, kind: str, shares: Array, level: Array, unit: float, onset: int
) -> list[tuple[Array, Array, Array]]:
    """What the cause adds to the logarithms of water, salt and friction of each stage."""
    none = np.zeros_like(level)
    if kind not in SIGNATURES:
        return [(none, none, none)] * len(shares)
    random = stream(seed, f"signature {kind}")
    signature = SIGNATURES[kind]
    water, salt, friction = (
        random.uniform(*each) for each in (signature.water, signature.salt, signature.friction)
    )
    # Nobody runs a unit whose channels are clogged.
    friction = min(friction, MOST_FRICTION / float(level.max()))
    power, smaller = random.uniform(*signature.friction_power), random.uniform(*signature.smaller)
    weights = np.ones(len(shares))
    if len(shares) > 1 and kind == "leak":
        # One vessel, and what it does to its stage.
        weights = np.eye(len(shares))[random.integers(len(shares))]
    elif len(shares) > 1:
        weights[0 if signature.worse == "last" else -1] = smaller
        weights /= weights @ shares
    dip = none
    if kind == "oxidation":
        # Membranes that swell or tighten before they open.
        since = np.maximum(np.arange(len(level)) - onset, 0.0) / random.uniform(20.0, 50.0)
        dip = random.uniform(0.01, 0.03) * since * np.exp(1.0 - since)
    relative = np.maximum(level, 0.0) / unit
    return [
        (weight * (water * level - dip), weight * salt * level, weight * friction * unit * relative**power)
        for weight in weights
    ]


def _rate(trend: Array, jumps: list[int]) -> Array:
    rates = np.diff(trend) * YEAR
    rates = np.append(rates, rates[-1])
    for day in jumps:
        if 0 < day < len(rates):
            rates[day] = rates[day - 1]
    return rates
