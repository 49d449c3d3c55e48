"""The command `check`: one visit, on one screen, for whoever stands at the unit."""

from __future__ import annotations

import argparse
import datetime
import json
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brinemark import cli, cli_folder, cli_trend
from brinemark.words import (
    CAUTIONS,
    advice_reason,
    between,
    change,
    cold_words,
    flow_words,
    group_name,
    percent,
    plain,
    quantity,
    wrapped,
)

if TYPE_CHECKING:
    from brinemark import Appended, Check, Diagnosis, Forecast, Result, SiteFolder, Trend
    from brinemark.judged import Judged

_COLUMNS = 90
_LINES = 24


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the command to those there are."""
    command = commands.add_parser(
        "check",
        help="judge a visit: what the unit should have made, what it made, what to do",
        description="Judges the last day of a log on one screen: what the unit should have made, what it "
        "made, how much of that is cold water, what is likely, when something must be done. With the folder "
        "of a unit in place of LOG and --site, --add notes the visit first.",
    )
    cli_trend.add_settings(command, or_folder=True)
    visit = command.add_argument_group("a visit to the unit of a folder, noted before it is judged")
    visit.add_argument(
        "--add",
        action="append",
        default=[],
        metavar="COLUMN=FIGURE",
        help="a reading with its unit, such as 'feed_pressure=150 psi'; may be repeated",
    )
    visit.add_argument("--at", metavar="TIME", help="when it was read, such as 2026-03-01T08:15-07:00 (now)")
    cli_folder.add_words(visit)
    command.add_argument(
        "--on",
        default=datetime.date.today().isoformat(),
        metavar="DATE",
        help="as of which date what is due is told (today)",
    )
    command.add_argument("--page", type=Path, metavar="PAGE", help="a page of the visit, for a phone")
    command.set_defaults(run=_check, parser=command)


def _check(given: argparse.Namespace) -> int:
    import brinemark as bm
    from brinemark.judged import judge

    triggers = cli_trend.triggers(given)
    folder = _folder(given)
    added = None if folder is None else _add(given, folder)
    told = [] if folder is None else [*folder.told, *([] if added is None else added.told)]
    # Before anything can be refused: what is on the disk is acknowledged.
    texts = [*([] if added is None else [_noted(added)]), *told]
    noted = [line for text in texts for line in _wrapped(text)]
    if noted:
        print("\n".join(noted), end="\n\n", file=sys.stderr if given.json else sys.stdout, flush=True)
    steps = cli._Steps()
    kept = cli._kept_baseline(given.baseline)
    if folder is None:
        log, site = cli._read_log(given, steps)
        due = bm.due(site, on=given.on)
    else:
        log, site, due = folder.log(), folder.site, folder.due(on=given.on)
        kept = kept or folder.baseline
    judged = judge(
        log,
        site,
        lambda: cli._normalised(given, log, site, kept, steps),
        level=given.level,
        triggers=triggers,
        asked={"demand": given.demand, "coldest_degc": given.coldest_degc},
        due=due,
        told=told,
        # Of a log alone nothing is said but why it can't be judged.
        strict=folder is None,
    )
    if given.page is not None:
        from brinemark.page.check import page

        cli._write(given.page, page(judged, on=given.on))
    if given.json:
        print(json.dumps(_summary(judged, added, given.page), indent=2))
        return 0
    if judged.checks and judged.result is not None:
        print("\n\n".join("\n".join(screen(judged.result, *each)) for each in judged.checks))
    else:
        print("\n".join(short_screen(judged)))
    # A log alone is judged on one screen; what to set and what is due stand on its page.
    under = [] if folder is None else under_screen(judged)
    if under:
        print("\n" + "\n".join(under))
    if given.page is not None:
        print(f"\nwritten: {given.page}")
    return 0


def _folder(given: argparse.Namespace) -> SiteFolder | None:
    """The unit's folder, where one stands in the place of the log."""
    import brinemark as bm

    if not any(path.is_dir() for path in given.log):
        for option in ("add", "at", "who", "note"):
            if getattr(given, option):
                raise cli._UnusableError(f"--{option} is for a unit's folder: brinemark folder makes one")
        if given.site is None:
            given.parser.error("the following arguments are required: --site, or the folder of a unit")
        return None
    if len(given.log) > 1:
        raise cli._UnusableError("one folder at a time, and no log beside it")
    for option in ("site", *cli._READING):
        if getattr(given, option):
            raise cli._UnusableError(
                f"--{option.replace('_', '-')} with a folder: it has its own site.toml and mapping.toml"
            )
    return bm.SiteFolder.open(given.log[0])


def _add(given: argparse.Namespace, folder: SiteFolder) -> Appended | None:
    if not given.add:
        for option in ("at", "who", "note"):
            if getattr(given, option):
                raise cli._UnusableError(f"--{option} belongs to a visit: --add 'feed_pressure=150 psi'")
        return None
    readings: dict[str, str] = {}
    for pair in given.add:
        name, equals, text = pair.partition("=")
        if not equals or not name.strip():
            raise cli._UnusableError(f"--add {pair!r}: write it as 'feed_pressure=150 psi'")
        if name.strip() in readings:
            raise cli._UnusableError(f"--add {pair!r}: {name.strip()} is given twice; nothing was noted")
        readings[name.strip()] = text.strip()
    return folder.append(readings, time=given.at, who=given.who, note=given.note)


def _noted(added: Appended) -> str:
    if added.already_there:
        return f"The log has this visit already, it is not noted twice: {added.line}"
    return f"Noted: {added.line}"


def _summary(judged: Judged, added: Appended | None, page: Path | None) -> dict[str, Any]:
    from dataclasses import asdict

    from brinemark.trends import check_summary, summary

    listed = [
        {
            **check_summary(check),
            "forecast": summary(trend, forecast=ahead)["forecast"],
            "warnings": trend.warnings,
        }
        for check, trend, ahead in judged.checks
    ]
    return {
        "site": judged.site.name,
        "checks": listed,
        "why_not": judged.why_not or None,
        "readings": {who: [asdict(each) for each in of] for who, of in judged.readings.items()},
        "like_for_like": {who: [asdict(each) for each in of] for who, of in judged.like_for_like.items()},
        "due": [each.sentence for each in judged.due],
        "settings": [{**asdict(each), "sentence": each.sentence} for each in judged.settings],
        "told": judged.told,
        "added": None if added is None else {"line": added.line, "already_there": added.already_there},
        "page": None if page is None else str(page),
        "caution": CAUTIONS,
    }


def short_screen(judged: Judged) -> list[str]:
    """A visit that can't be judged yet: what was read, and what can be said of it."""
    from brinemark.judged import ends

    lines = [f"{judged.site.name}: visit of {judged.when}"]
    lines += _wrapped(f"NO VERDICT YET: {judged.why_not}")
    for who, readings in judged.readings.items():
        lines += ["", f"{who or 'as read':32}{'visit':>12}{'before':>12}"]
        for each in readings:
            before = "" if each.before is None else plain(each.before)
            lines.append(f"{quantity(each.name):32}{plain(each.value):>12}{before:>12}  {each.unit}".rstrip())
        found = judged.like_for_like.get(who, [])
        if found:
            sure = f"{100 * judged.level:.0f} %"
            lines += ["", f"{'like for like, against new':32}{'visit':>12}{sure:>18}"]
        lines += [f"{each.name:32}{percent(each.change):>12}{ends(each):>18}" for each in found]
    return [*lines, "", *_wrapped(CAUTIONS)]


def under_screen(judged: Judged) -> list[str]:
    """What stands under the screen: what to set next, and what is due."""
    from brinemark.judged import due_soon

    lines = []
    if judged.settings:
        lines.append("What to set, now and when the water has changed")
        lines += [line for each in judged.settings for line in wrapped(each.sentence, _COLUMNS, "  ", "    ")]
    soon, rest = due_soon(judged.due)
    if soon or rest:
        lines.append("What is due")
        lines += [line for each in soon for line in wrapped(each.sentence, _COLUMNS, "  ", "    ")]
        lines += wrapped(rest, _COLUMNS, "  ", "    ") if rest else []
    return lines


def screen(result: Result, check: Check, trend: Trend, ahead: Forecast) -> list[str]:
    """A visit on one screen: at most 24 lines of at most 90 characters."""
    head = [
        _title(result, check),
        *_wrapped(f"{check.advice.upper()}: {advice_reason(check)}"),
        "",
        *_wrapped(flow_words(check)),
        "",
        *_table(check, ahead),
        "",
        *_wrapped(_likely(check.diagnosis)),
    ]
    told = [
        *cold_words(ahead),
        *trend.warnings,
        *(f"Not told: {of}." for of in ahead.missing),
    ]
    more = [line for text in told for line in _wrapped(text)]
    caution = _wrapped(check.caution)
    lines = [*head, *more, *caution]
    while len(lines) > _LINES and "" in lines:
        # Air is the first to go, from below.
        del lines[len(lines) - 1 - lines[::-1].index("")]
    if len(lines) > _LINES:
        # What does not fit is not lost.
        more = ["More is to be said than fits here: `brinemark trend` with the same log says it."]
        lines = [line for line in (*head, *more, *caution) if line]
    return lines


def _wrapped(text: str) -> list[str]:
    return wrapped(text, _COLUMNS)


def _title(result: Result, check: Check) -> str:
    who = "".join(f", {name}" for name in (group_name(check.train, check.stage),) if name)
    when = f": visit of {(check.time or '')[:10]}"
    return f"{textwrap.shorten(result.site.name, _COLUMNS - len(who + when), placeholder='…')}{who}{when}"


def _table(check: Check, ahead: Forecast) -> list[str]:
    """Each quantity: what was expected, what the visit says, how it stands, when it reaches its trigger."""
    sure = f"{100 * check.when_new.level:.0f} %"
    lines = [
        f"{'against new':18}{'expected':>12}{'visit':>7}{'all readings':>22}{'trigger':>9}  reached ({sure})"
    ]
    for of in check.quantities:
        expected = "too few"
        if of.expected is not None:
            ends = (percent(end).removesuffix(" %") for end in (of.expected.low, of.expected.high))
            expected = " to ".join(ends)
        visit = percent(of.visit.value) if of.visit.n else "none"
        _, date = ahead.cleaning[of.quantity]
        figures = f"{expected:>12}{visit:>7}{change(of.now):>22}{percent(of.trigger):>9}"
        lines.append(f"{quantity(of.quantity):18}{figures}  {between(date)}")
    return lines


def _likely(diagnosis: Diagnosis | None) -> str:
    if diagnosis is None:
        return "Why: too few days with readings for a cause, six at least."
    return f"{diagnosis.sentence} {diagnosis.next_test[1]}"
