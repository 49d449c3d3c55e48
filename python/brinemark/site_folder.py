"""A site's folder: what one unit is, what was read of it and what was done to it, visit after visit."""

from __future__ import annotations

import datetime
import math
import os
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Unpack

from brinemark import _core
from brinemark.frames import Log
from brinemark.reading import Options, _options

if TYPE_CHECKING:
    from brinemark import Appended, Baseline, Due, ServiceDone, Site

_Path = str | os.PathLike[str]

START_UP = "start-up.json"


@dataclass(frozen=True)
class SiteFolder:
    """One folder a unit, which loses no reading: a site file, a log, what was done, what it did when new.

    site.toml : the unit. log.csv : its readings, a line a visit, in the site's own columns and units.
    services.csv : what was done, when, by whom. start-up.json, mapping.toml : a kept baseline, and how
    log.csv is written, where there are such. torn.csv : lines that were cut while they were written.
    refused.csv : visits that were refused, with why. folder.lock : who is writing, and the last line.

    Made by `SiteFolder.open` and `SiteFolder.create`. What is acknowledged is on the disk: a line is
    written by one write, under a lock of the folder, and put on the disk before a method returns. A line
    that a power cut left in part is found when the folder is next opened; it is moved to torn.csv, told,
    and never taken for a reading.

    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     folder = bm.SiteFolder.create(f"{place}/unit-2", site=bm.demo.site_path(), log=bm.demo.log_path())
    ...     visit = {"feed_pressure": "140 psi", "permeate_flow": "33.1 gpm"}
    ...     added = folder.append(visit, time="2026-05-02T08:00-07:00")
    ...     print(added.line, len(folder.log()))
    2026-05-02T08:00:00-07:00,,140,,33.1,,,,,, 2921
    """

    path: Path
    _core: _core.SiteFolder = field(repr=False, compare=False)
    told: list[str] = field(repr=False, compare=False)
    """What was found, mended or brought over when it was opened, a sentence each."""

    @classmethod
    def open(cls, path: _Path) -> SiteFolder:
        """Opens a folder, and mends the ends of its files where a write was cut: `told` says what was done.

        A last line without its end is taken for cut where it is the beginning of the line last written
        here, lacks cells or holds zero bytes; else, as editors leave one, for whole: it is given its end.

        Raises: FileError where a file can't be read, or somebody else is writing; SiteError, LogError.
        """
        core = _core.SiteFolder.open(path)
        return cls(Path(path), core, core.told)

    @classmethod
    def create(
        cls,
        path: _Path,
        *,
        site: _Path,
        log: _Path | Sequence[_Path] | None = None,
        **options: Unpack[Options],
    ) -> SiteFolder:
        """Makes a folder of a site file and, where there is one, a log; whole, or not at all.

        path : of the folder; one that holds anything is left alone. site : path of the site file; its copy
        is the folder's. log : path, or paths, of readings that there are already, with `options` as
        `read_log` takes them. They are brought over into the site's columns and units: a figure in another
        unit to two decimals beyond its last digit; columns that the site doesn't have are kept beside its
        own; the files themselves are kept in before/, byte for byte. tz : as in `read_log`, and the zone
        of later visits too.

        Returns: SiteFolder, whose `told` says what was brought over.
        Raises: FileError where something is there already; SiteError, LogError with every fault.
        """
        logs = [] if log is None else [log] if isinstance(log, (str, os.PathLike)) else list(log)
        _, told = _core.SiteFolder.create(path, site, logs, _options(**options), options.get("tz"))
        folder = cls.open(path)
        return cls(folder.path, folder._core, [*told, *folder.told])

    @property
    def site(self) -> Site:
        """The unit, as site.toml describes it."""
        return self._core.site

    @property
    def baseline(self) -> Baseline | None:
        """The record of its start-up, as `Baseline.from_json` reads it; None where the folder has none."""
        try:
            text = (self.path / START_UP).read_text(encoding="utf-8")
        except FileNotFoundError:
            return None
        return _core.Baseline.from_json(text)

    def log(self) -> Log:
        """All readings, in the order of time whatever that of their lines.

        Warns, in words, where a line that was cut meanwhile had to be mended. Raises: LogError.
        """
        log, told = self._core.log()
        for text in told:
            if text not in self.told:
                warnings.warn(text, stacklevel=2)
        return Log(log)

    def append(
        self,
        readings: Mapping[str, object],
        *,
        time: str | datetime.datetime | None = None,
        who: str | None = None,
        note: str | None = None,
        wait_s: float = 10.0,
    ) -> Appended:
        """Adds a visit to the log: one line, in the log's own columns, units and way of writing.

        readings : {column: figure with its unit}, such as {"feed_pressure": "150 psi"}; or with the unit in
            the name, {"feed_pressure [psi]": 150.0}. A figure in the column's unit is written digit for
            digit, one in another to two decimals beyond its last digit. None, NaN and "-" are missing.
            "train", "stage" and the log's columns of words go along.
        time : when, as the log writes times or ISO 8601 with its offset; None takes now.
        who, note : words, for which the log needs a column.
        wait_s : how long to wait for somebody else who is writing [s].

        Nothing is written where a column is not known, a unit is missing or measures something else, a figure
        can't be (below 0 degC, above 200 bar, …), the time is more than a day ahead, or other readings of
        the same time stand there: all faults are told at once, and the visit is kept in refused.csv. The same
        visit twice is recognised, and there once.

        Returns: Appended. When it returns, the line is on the disk.
        Raises: NotAddedError, whose message, `what` and `kept` say what was not added and where it is kept.
        """
        given = [(str(name), _text(value)) for name, value in readings.items()]
        return self._core.append(_moment(time), given, who, note, wait_s)

    def service(
        self,
        what: str,
        *,
        on: str | datetime.date,
        of: str | None = None,
        who: str | None = None,
        note: str | None = None,
        wait_s: float = 10.0,
    ) -> Appended:
        """Notes that something was done, in services.csv.

        what : calibration, lamp, prefilter, sanitising or other, as the site file's [[service]] entries say.
        of : the column whose instrument was calibrated, or the entry's name; may be left out where there is
        but one of its kind. on : the day. who, note : words. wait_s : as in `append`.

        Returns: Appended. When it returns, the line is on the disk.
        Raises: SiteError for a kind or a day that can't be; NotAddedError for one that is not added.
        """
        return self._core.service(what, of, str(on), who, note, wait_s)

    def services(self) -> list[ServiceDone]:
        """All that was done, as services.csv has it. Raises: LogError with every fault of the file."""
        return self._core.services()

    def due(self, *, on: str | datetime.date) -> list[Due]:
        """What is due as of a date, as `due`; of the site file's `last` and services.csv the newer counts."""
        return self._core.due(str(on))


def _text(value: object) -> str:
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    # A NumPy figure says its type in its repr, and not in its text.
    return str(value)


def _moment(time: str | datetime.datetime | None) -> str:
    if time is None:
        return datetime.datetime.now().astimezone().isoformat(timespec="seconds")
    return time.isoformat() if isinstance(time, datetime.datetime) else str(time)
