"""The start-up record: the first days of a unit, and the baseline that every later result is held against."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from brinemark import _core
from brinemark.setting_up import Shown, _shown

if TYPE_CHECKING:
    from brinemark import Baseline, Log, Membrane, Site

_RIGHT = "a start-up record that this version of brinemark wrote"


@dataclass(frozen=True, kw_only=True)
class Spread:
    """A figure with its interval, as a record keeps it."""

    value: float
    low: float
    high: float
    level: float
    unit: str
    n: int

    def __repr__(self) -> str:
        ends = f"{100 * self.level:.0f} % interval {self.low:.4g} to {self.high:.4g}"
        return f"Spread({self.value:.4g} {self.unit} ({ends}))"


@dataclass(frozen=True, kw_only=True)
class StartUpCheck:
    """A figure as read beside what the rating promises under the readings' own conditions.

    column : of the log. read, expected : Spread. beside : "below", "as expected" or "above". rests_on : the
    sources that the expectation is surest to move with, and their shares of its variance.
    """

    column: str
    read: Spread
    expected: Spread
    beside: str
    rests_on: tuple[dict[str, Any], ...] = field(repr=False)


@dataclass(frozen=True, kw_only=True)
class StartUpCause:
    """What a deviation looks like, how likely that is among what is known here, and the test that would
    tell.
    """

    name: str
    what: str
    test: str
    probability: float

    def __repr__(self) -> str:
        return f"StartUpCause({self.name}, {self.probability:.2f})"


@dataclass(frozen=True, kw_only=True)
class StartUpOfGroup:
    """The start-up of one train or stage.

    train, stage : where the log tells. start, end : of the settled stretch, ISO 8601. settled_after_h : hours
        from the start until nothing moved any more. readings_before, readings : used ones before that, and
        from then on. flow_rose : whether permeate flow rose (or fell) to where it settled; None: neither.
        salt_fell : whether salt passage did.
    verdict : "accept", "accept, with a remark", "do not accept yet" or "cannot tell". checks : permeate flow,
        its quality, pressure drop beside the rating. causes : what deviations look like, likeliest first.
        missing : keys of the site file without which nothing is expected. taken_as_exact : what expectations
        take as exact, since the site file doesn't tell.
    record : the readings' medians, what to write down. recovery : of the raw feed. figures : like for like,
        by name.
    """

    train: str | None
    stage: str | None
    start: str
    end: str
    settled_after_h: float
    readings_before: int
    readings: int
    flow_rose: bool | None
    salt_fell: bool
    verdict: str
    checks: tuple[StartUpCheck, ...]
    causes: tuple[StartUpCause, ...]
    missing: tuple[str, ...]
    taken_as_exact: tuple[str, ...]
    record: tuple[Shown, ...]
    recovery: float
    figures: dict[str, Spread]

    @property
    def sentence(self) -> str:
        """What it makes, what is expected, and what becomes of it."""
        from brinemark.start_up_words import sentence

        return sentence(self)


@dataclass(frozen=True)
class StartUp:
    """The start-up of a unit: `start_up` makes it, and it can be kept as JSON.

    text : the record as JSON, with its form, version, the log's fingerprint, settings and baseline.
    """

    text: str = field(repr=False)

    def __post_init__(self) -> None:
        try:
            told = json.loads(self.text)
            right = told["record"] == "brinemark start-up record" and told["form"] == 1
            _core.Baseline.from_json(self.text)
        except (ValueError, KeyError, TypeError):
            right = False
        if not right:
            raise _core.BaselineError(f"not {_RIGHT}")

    @property
    def _told(self) -> dict[str, Any]:
        told: dict[str, Any] = json.loads(self.text)
        return told

    @property
    def site_name(self) -> str:
        """The unit."""
        return str(self._told["site"])

    @property
    def groups(self) -> list[StartUpOfGroup]:
        """One a train and stage."""
        return [_group(told) for told in self._told["groups"]]

    @property
    def verdict(self) -> str:
        """Of the whole unit: the worst of its trains and stages."""
        order = ("accept", "accept, with a remark", "cannot tell", "do not accept yet")
        return max((group.verdict for group in self.groups), key=order.index)

    @property
    def sentence(self) -> str:
        """What each makes, what is expected, and what becomes of it."""
        return " ".join(group.sentence for group in self.groups)

    @property
    def baseline(self) -> Baseline:
        """What every later log is held against: `normalise(log, site, baseline=record.baseline)`."""
        return _core.Baseline.from_json(self.text)

    @property
    def membrane(self) -> Membrane | None:
        """The membrane behind the settled readings, for `settings` and `predict`; None where the model was
        not asked, or
        there are several trains or stages."""
        references = self._told["baseline"]["references"]
        if len(references) != 1 or references[0]["membrane"] is None:
            return None
        return _core.Membrane(**references[0]["membrane"])

    @property
    def input_hash(self) -> str:
        """The fingerprint of the log."""
        return str(self._told["input_hash"])

    def to_json(self) -> str:
        """The record as JSON; `Baseline.from_json` and the command's --baseline take it too."""
        return self.text

    @staticmethod
    def from_json(text: str) -> StartUp:
        """A kept record. Raises: BaselineError where it is none."""
        return StartUp(text)

    def save(self, path: str | os.PathLike[str]) -> Path:
        """Writes the record; returns its path. Raises: FileExistsError where there is one: a record is made
        once.
        """
        with open(path, "x", encoding="utf-8") as file:
            file.write(self.text)
        return Path(path)

    def __repr__(self) -> str:
        return f"StartUp({self.sentence})"


def start_up(
    log: Log,
    site: Site,
    *,
    start: str | datetime | np.datetime64 | None = None,
    hours: float = 48.0,
    level: float = 0.90,
) -> StartUp:
    """The record of a start-up: when it settled, the baseline that gives, and whether the rating is met.

    log : Log, which may go on long after the start-up; it is screened where it was not yet. site : Site.
    start : when the unit was started, ISO 8601 with its offset, datetime with its zone, or datetime64 (UTC);
        None: [reference] start, else the first used reading.
    hours : how long the start-up is looked at [h], 1 to 1000; 24 to 48 is usual (common practice, no source).
    level : how often intervals shall hold the truth, 0.5 to 0.999.

    Settled is the first reading from which on the later half of the hours differs from the earlier by at most
    2 % of permeate flow, 5 % of salt passage and 5 % of pressure drop, like for like, or by no more than
    chance brings (common practice, no source). The baseline is the medians from there on. Each figure is held
    against the forward model with the membrane of the data sheet under the readings' own conditions; the two
    may differ by sqrt(U_read^2 + U_expected^2) at the level.

    Returns: StartUp. Raises: RangeError for settings out of range; BaselineError where there are fewer than
        five settled readings, or something still moves; MissingColumnError as `normalise`.
    Accuracy: tests/python/test_start_up.py counts on simulated start-ups how often healthy ones are accepted
        and the right cause is named.
    Source: stabilised after 24 to 48 h, common practice, no source; intervals JCGM 100:2008; patterns of
        causes common practice, no source.
    """
    if not log.is_screened:
        from brinemark.screening import screen as screen_log

        log = screen_log(log, site).log
    return StartUp(_core.start_up(log._core, site, _start(start), hours, level))


def _start(start: str | datetime | np.datetime64 | None) -> int | None:
    """Microseconds since 1970 UTC."""
    if start is None:
        return None
    if isinstance(start, np.datetime64):
        return int(start.astype("datetime64[us]").astype(np.int64))
    try:
        when = datetime.fromisoformat(start) if isinstance(start, str) else start
    except ValueError:
        when = None
    if when is None or when.tzinfo is None:
        raise _core.BaselineError(f"start '{start}': a time with its offset, such as 2026-04-02T10:00-07:00")
    return round(when.timestamp() * 1e6)


def _spread(told: dict[str, Any]) -> Spread:
    known: dict[str, Any] = {
        name: float("nan") if figure is None else figure for name, figure in told.items()
    }
    return Spread(**known)


def _group(told: dict[str, Any]) -> StartUpOfGroup:
    same = (
        *("train", "stage", "settled_after_h", "readings_before", "readings", "flow_rose", "salt_fell"),
        *("verdict", "recovery"),
    )
    return StartUpOfGroup(
        **{name: told[name] for name in same},
        start=told["from"],
        end=told["to"],
        checks=tuple(
            StartUpCheck(
                column=each["column"],
                read=_spread(each["read"]),
                expected=_spread(each["expected"]),
                beside=each["beside"],
                rests_on=tuple(each["rests_on"]),
            )
            for each in told["checked"]
        ),
        causes=tuple(StartUpCause(**each) for each in told["causes"]),
        missing=tuple(told["missing"]),
        taken_as_exact=tuple(told["taken_as_exact"]),
        record=tuple(map(_shown, told["record"])),
        figures={each["name"]: _spread(each["figure"]) for each in told["figures"]},
    )
