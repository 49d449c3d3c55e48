"""The command `settings`: what to set at the unit today, and what then to expect."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING

from brinemark import cli
from brinemark.words import CAUTIONS, CAUTIONS_IN_FULL, plain, wrapped

if TYPE_CHECKING:
    from brinemark import Settings

_COLUMNS = 90

# The option, what bm.settings calls it, the unit it takes, and what it is.
_FIGURES = (
    ("--temperature", "feed_temperature_degc", "degC", "of the feed: '46 degF'"),
    ("--tds", "feed_tds_mg_l", "mg/L", "salt in the raw feed: '500 mg/L'"),
    ("--conductivity", "feed_conductivity_us_cm", "uS/cm", "of the raw feed at 25 degC: '900 uS/cm'"),
    ("--permeate-pressure", "permeate_pressure_bar", "bar", "what the permeate is pressed against: '3 psi'"),
    ("--pressure", "feed_pressure_bar", "bar", "a pressure to run at, in place of a flow: '140 psi'"),
    ("--flow", "permeate_flow_m3_h", "m3/h", "the permeate that is wanted: '3 gpm'"),
    ("--recovery", "recovery", "", "the recovery that is wanted: '60 %%'"),
    ("--recycle", "recycle_flow_m3_h", "m3/h", "concentrate to return, in place of the least: '2 gpm'"),
)


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the command to those there are."""
    command = commands.add_parser(
        "settings",
        help="say what to set today: pressure, concentrate, recycle, and what then to expect",
        description="Says what to set on a day, on the marks of the unit's own gauges and inside all "
        "limits of the site file, "
        "and what then to expect. What is not given is taken from [settings] and [assume] of the site file.",
    )
    command.add_argument("--site", required=True, type=Path, metavar="SITE", help="the site file")
    for option, _, _, what in _FIGURES:
        command.add_argument(option, required=option == "--temperature", metavar="FIGURE", help=what)
    command.add_argument("--out", type=Path, metavar="PAGE", help="a start-up sheet to print (.html)")
    command.add_argument(
        "--map",
        type=Path,
        metavar="PICTURE",
        help="draw where the unit may run over temperature, salt and recovery (.png, .svg, .pdf)",
    )
    cli._add_json(command)
    command.set_defaults(run=_settings)


def _settings(given: argparse.Namespace) -> int:
    import brinemark as bm

    site = bm.Site.load(given.site)
    day = {
        name: cli._figure(option, getattr(given, option[2:].replace("-", "_")), unit)
        for option, name, unit, _ in _FIGURES
    }
    found = bm.settings(site, **day)  # type: ignore[arg-type]
    written = []
    if given.out is not None:
        from brinemark.page.settings import settings_page

        cli._write(given.out, settings_page(found, site))
        written.append(str(given.out))
    if given.map is not None:
        _draw_map(site, day, found, given.map)
        written.append(str(given.map))
    if given.json:
        print(json.dumps({**found.to_dict(), "files": written, "cautions": CAUTIONS_IN_FULL}, indent=2))
        return 0
    print("\n".join(screen(found)))
    for path in written:
        print(f"written: {path}")
    return 0


def screen(found: Settings) -> list[str]:
    """What to set on one screen, at most 90 characters wide; the steps are on the sheet."""
    from brinemark import setting_words as words

    lines = words.screen(found)
    lines.append("  element            flux  recovery  concentrate out")
    lines += [
        f"  {which:12}{flux:>11}{recovered:>10}{out:>17}"
        for which, flux, recovered, out in words.element_rows(found)
    ]
    lines.append("")
    nearest = words.nearest_limits(found, 4)
    if nearest:
        lines.append("  nearest limits, with gauges off by all they may be")
        lines += [
            f"  {held.what:34}{plain(held.worst):>8} {words.unit_word(held.unit):8}{words.limit_words(held)}"
            for held in nearest
        ]
    for each in (*words.notes(found), "The order of the valves is on the sheet: --out sheet.html.", CAUTIONS):
        lines += wrapped(each, _COLUMNS)
    return lines


def _draw_map(site: object, day: dict[str, float | None], found: Settings, path: Path) -> None:
    import numpy as np

    import brinemark as bm

    tds = float(bm.convert(found.figure("feed_tds").value, found.figure("feed_tds").unit, "mg/L"))
    asked = ("permeate_pressure_bar", "feed_pressure_bar", "permeate_flow_m3_h", "recycle_flow_m3_h")
    given = {name: day[name] for name in asked}
    if given["recycle_flow_m3_h"] is None and found.recycle_flow is not None:
        given["recycle_flow_m3_h"] = float(
            bm.convert(found.recycle_flow.value, found.recycle_flow.unit, "m3/h")
        )
    drawn = bm.settings_map(
        site,  # type: ignore[arg-type]
        temperatures_degc=np.linspace(2.0, 32.0, 91),
        feed_tds_mg_l=[0.5 * tds, tds, 2.0 * tds],
        recoveries=np.linspace(0.1, 0.9, 121),
        **given,  # type: ignore[arg-type]
    )
    bm.plot.settings_map(drawn).savefig(path, dpi=150)
