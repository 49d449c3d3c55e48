"""Which readings can be trusted: tests of every reading, and verdicts on instruments."""

from __future__ import annotations

import html
import os
from collections.abc import Iterable, Iterator
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from brinemark import _core
from brinemark.frames import Log

if TYPE_CHECKING:
    from matplotlib.figure import Figure


class Screening:
    """A log whose readings were looked at. Made by `screen`."""

    def __init__(self, core: _core.Screening) -> None:
        self._core = core

    def __len__(self) -> int:
        return len(self.log)

    @cached_property
    def log(self) -> Log:
        """The log, with the reasons for which rows are set aside; `normalise` takes it as it is."""
        return Log(self._core.log)

    @cached_property
    def counts(self) -> list[_core.TestCount]:
        """How many rows each test passed, failed, and did not apply to."""
        return self._core.counts

    @property
    def sentence(self) -> str:
        """What was set aside, in a sentence or two."""
        return self._core.sentence

    @cached_property
    def verdicts(self) -> list[_core.Verdict]:
        """Instruments that stepped or drifted, by what the others tell: which, since when, by how much."""
        return self._core.verdicts

    @property
    def usual(self) -> _core.Usual:
        """What is usual for each train and stage: the yardstick of the tests."""
        return self._core.usual

    @cached_property
    def kept(self) -> NDArray[np.intp]:
        """Rows that the user kept against a test, from 0."""
        return np.asarray(self._core.kept, dtype=np.intp)

    @cached_property
    def stands(self) -> NDArray[np.bool_]:
        """Whether each row stands."""
        return self._core.stands()

    @cached_property
    def reasons(self) -> list[str]:
        """Why each row is set aside, in words; empty where it stands."""
        return self._core.reasons()

    def failed(self, test: str) -> NDArray[np.bool_]:
        """Whether each row failed a test, set aside or not. `screen_tests()` lists their names."""
        return self._core.failed(test)

    def applied(self, test: str) -> NDArray[np.bool_]:
        """Whether a test applied to each row; where it did and did not fail, it passed."""
        return self._core.judged(test)

    def write_csv(self, path: str | os.PathLike[str]) -> None:
        """Writes every row of the log with the reasons for which it is set aside. Raises FileError."""
        self._core.write_csv(path)

    def plot(self, columns: Iterable[str] = ("feed_pressure", "permeate_flow")) -> Figure:
        """The log with what was set aside, and why. Needs matplotlib."""
        from brinemark import plot

        return plot.screening(self, tuple(columns))

    def summary(self) -> dict[str, Any]:
        """All that is not a row, as plain values for JSON."""
        return {
            "sentence": self.sentence,
            "rows": len(self),
            "rows_that_stand": int(self.stands.sum()),
            "kept_by_user": self.kept.tolist(),
            "tests": [
                {
                    "name": count.name,
                    "passed": count.passed,
                    "failed": count.failed,
                    "not_applicable": count.not_applicable,
                    "set_aside": count.set_aside,
                }
                for count in self.counts
            ],
            "verdicts": [
                {
                    "train": verdict.train,
                    "stage": verdict.stage,
                    "column": verdict.column,
                    "since": verdict.since,
                    "since_interval": list(verdict.since_interval),
                    "whole": verdict.whole,
                    "off_by": verdict.off_by,
                    "off_by_interval": list(verdict.off_by_interval),
                    "level": 0.9,
                    "unit": verdict.unit,
                    "is_sure": verdict.is_sure,
                    "suspects": [{"name": name, "probability": odds} for name, odds in verdict.suspects],
                    "sentence": verdict.sentence,
                }
                for verdict in self.verdicts
            ],
        }

    def __repr__(self) -> str:
        lines = [self.sentence, *(verdict.sentence for verdict in self.verdicts)]
        return "Screening(" + "\n  ".join(lines) + ")"

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td style='text-align:left'>{html.escape(count.name)}</td><td>{count.passed}</td>"
            f"<td>{count.failed}</td><td>{count.not_applicable}</td><td>{count.set_aside}</td></tr>"
            for count in self.counts
        )
        verdicts = "".join(f"<p>{html.escape(verdict.sentence)}</p>" for verdict in self.verdicts)
        head = "<tr><th>test</th><th>passed</th><th>failed</th><th>not applicable</th><th>set aside</th></tr>"
        return f"<p>{html.escape(self.sentence)}</p><table>{head}{rows}</table>{verdicts}"


def screen(
    log: Log,
    site: _core.Site,
    *,
    set_aside: ArrayLike | None = None,
    keep: ArrayLike | None = None,
    like: Screening | None = None,
) -> Screening:
    """Looks at every reading: was the unit running and settled, can each figure be, do they agree?

    log : Log. site : Site, whose [screen] says how strict the tests are, which are not made and which only
        tell. set_aside, keep : a flag for each row: the user's own word, which wins over any test and is
        recorded. like : an earlier Screening of the unit, whose yardstick and verdicts are taken.

    Returns: Screening. Each test passes, fails or does not apply; `screen_tests()` lists them.
    Raises: LogError where there are not as many flags as rows, or a row is both set aside and kept.
    Accuracy: shown by `make study-screening` on simulated logs with planted faults.

    >>> screening = screen(read_log(demo.log_path()), Site.load(demo.site_path()))
    >>> int(screening.failed("running").sum())
    107
    """
    aside, kept = (None if of is None else np.ascontiguousarray(of, dtype=bool) for of in (set_aside, keep))
    return Screening(_core.screen(log._core, site, aside, kept, None if like is None else like._core))


def screen_blocks(blocks: Iterable[Log], site: _core.Site, *, like: Screening) -> Iterator[Screening]:
    """Screens a log that comes in blocks (`scan_log`), in bounded memory, marked as in one piece.

    blocks : Logs that follow each other. site : Site. like : a Screening of the unit, whose yardstick and
        verdicts are taken: of its first months, say, or of a thinned log.

    Yields: Screening, of all rows that can be judged so far. A row waits until its neighbours are known.
    """
    core = _core.ScreenBlocks(site, like._core)
    for block in blocks:
        screened = core.push(block._core)
        if screened is not None:
            yield Screening(screened)
    rest = core.finish()
    if rest is not None:
        yield Screening(rest)


class Averaged:
    """A log of means over windows. Made by `average`."""

    def __init__(self, core: _core.Averaged) -> None:
        self._core = core

    @cached_property
    def log(self) -> Log:
        """The means, a row a window, at its middle; `normalise` takes it as it is."""
        return Log(self._core.log)

    @property
    def counts(self) -> NDArray[np.uint32]:
        """Readings in each mean."""
        return self._core.counts

    @property
    def kept(self) -> float:
        """Readings that are in a mean, as a share of those that the screening let stand."""
        return self._core.kept

    @property
    def held_back(self) -> int:
        """Readings of a feed pressure at which no water passes, taken as the one at which it begins to."""
        return self._core.held_back

    @property
    def why(self) -> str:
        """What was averaged, and why over this long."""
        return self._core.why

    def __repr__(self) -> str:
        share = f"{100 * self.kept:.0f} % of {self._core.standing} readings"
        return f"Averaged({len(self.log)} {self.why}; {share})"


def average(log: Log, site: _core.Site, *, window_h: float | None = None) -> Averaged:
    """Means of readings over windows, for a unit that is never steady: average the inputs, then normalise.

    log : Log, best one that was screened (`screen(log, site).log`): rows that are set aside are in no mean.
    site : Site. window_h : how long a window shall be [h]; None takes the shortest in which the means of feed
        pressure hold still, of whole cycles where there is one; `why` tells.

    Returns: Averaged. Each stretch of readings without a stop or a gap is cut into equal windows, as near the
        wanted length as goes. Salt is averaged by the flow that carries it, where that is measured. Feed
        pressure at which no water passes counts as the one at which it begins to (`held_back`).
    Raises: RangeError for a window out of range; LogError where no stretch is long enough.

    >>> two = {"time": ["2026-03-01T08:00Z", "2026-03-01T08:01Z"], "feed_pressure [bar]": [8, 10]}
    >>> average(read_log(two), Site.load(demo.site_path()), window_h=2 / 60).log["feed_pressure"]
    array([9.])
    """
    return Averaged(_core.average(log._core, site, window_h))
