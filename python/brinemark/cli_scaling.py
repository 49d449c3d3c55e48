"""The command `scaling`: how the feed's scales stand in the concentrate, and the recovery they allow."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brinemark import cli
from brinemark.words import CAUTIONS, CAUTIONS_IN_FULL, wrapped

if TYPE_CHECKING:
    from brinemark import RecoveryLimits, Site, Water

_COLUMNS = 100
# How far a pH is commonly off, or moves over a day (common practice, no source).
_PH_OFF = 0.3
_ACID = (
    "Acid is dosed only as the manufacturers of membranes and antiscalant, local codes and licensed "
    "practice allow; "
    "handle it as its safety sheet says. An antiscalant's limits are its maker's to state."
)


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the command to those there are."""
    command = commands.add_parser(
        "scaling",
        help="say how far the water's scales let recovery go, and which one binds",
        description="Says how each scale of the site file's [water] stands in the concentrate, the "
        "recovery each allows with the "
        "treatment and limits of [scaling], and which one binds.",
    )
    command.add_argument("--site", required=True, type=Path, metavar="SITE", help="the site file")
    command.add_argument(
        "--recovery", metavar="FIGURE", help="the recovery to look at: '75 %%' ([settings] recovery)"
    )
    command.add_argument(
        "--temperature", metavar="FIGURE", help="of the feed: '12 degC' (that of the sample, else 25 degC)"
    )
    command.add_argument("--tds", metavar="FIGURE", help="salt of the day: '900 mg/L' (that of the sample)")
    command.add_argument(
        "--plot", type=Path, metavar="PICTURE", help="draw saturation over recovery (.png, .svg, .pdf)"
    )
    cli._add_json(command)
    command.set_defaults(run=_scaling)


def _scaling(given: argparse.Namespace) -> int:
    import brinemark as bm

    site = bm.Site.load(given.site)
    settings = json.loads(site.settings)
    if settings["water"] is None:
        raise cli._UnusableError(f"{given.site}: no [water]; `brinemark template` shows what it may hold")
    degc = cli._figure("--temperature", given.temperature, "degC")
    if degc is None:
        degc = settings["water"]["analysis"]["temperature_degc"]
    tds = cli._figure("--tds", given.tds, "mg/L")
    recovery = cli._figure("--recovery", given.recovery, "")
    if recovery is None:
        wanted = settings["wanted"]["recovery"]
        if wanted is None:
            raise cli._UnusableError("--recovery: not given, and no [settings] recovery in the site file")
        recovery = wanted["value"]
    water = site.water(temperature_degc=degc, feed_tds_mg_l=tds)
    assert water is not None
    limits, found = site.recovery_limits(water), site.saturation(water, recovery=recovery)
    what_if = _what_if(site, water, settings)
    if given.plot is not None:
        bm.plot.saturation(site, water, recovery=recovery).savefig(given.plot, dpi=150)
    if given.json:
        told = {
            "site": site.name,
            "water": water.to_dict(),
            "taken": site.water_taken,
            "saturation": found.to_dict(),
            "recovery_limits": {**limits.to_dict(), "sentence": limits.sentence},
            "what_if": {
                name: {**other.to_dict(), "sentence": other.sentence} for name, other in what_if.items()
            },
            "cautions": [_ACID, *CAUTIONS_IN_FULL],
        }
        print(json.dumps(told, indent=2))
        return 0
    print("\n".join(_screen(site, water, recovery, found, limits, what_if)))
    if given.plot is not None:
        print(f"written: {given.plot}")
    return 0


def _what_if(site: Site, water: Water, settings: dict[str, Any]) -> dict[str, RecoveryLimits]:
    """The recoveries without treatment, at other pH, and in the coldest and warmest water of the site's
    limits.
    """
    import brinemark as bm

    def with_(**changed: Any) -> Water:
        of = {
            "temperature_degc": water.temperature_degc,
            "ph": water.ph,
            "ions": water.ions,
            "alkalinity_mg_l": water.alkalinity_mg_l,
            "tds_mg_l": water.tds_mg_l,
        }
        return bm.Water(**{**of, **changed})

    cases: dict[str, RecoveryLimits] = {"without treatment": bm.recovery_limits(water)}
    for by in (-_PH_OFF, _PH_OFF):
        ph = water.ph + by
        if 4.0 <= ph <= 10.0:
            cases[f"pH {ph:.1f}"] = site.recovery_limits(with_(ph=ph))
    ends = settings["limits"].get("feed_temperature", {})
    for degc in (ends.get("low"), ends.get("high")):
        if degc is not None and 0.0 <= degc <= 50.0:
            cases[f"{degc:.0f} °C"] = site.recovery_limits(with_(temperature_degc=degc))
    return cases


def _screen(
    site: Site,
    water: Water,
    recovery: float,
    found: Any,
    limits: RecoveryLimits,
    what_if: dict[str, RecoveryLimits],
) -> list[str]:
    lines = [
        f"{site.name}: feed of {water.temperature_degc:.1f} °C, pH {water.ph:.2f}, {water.tds_mg_l:.0f} "
        f"mg/L; "
        f"concentrate at {100 * recovery:.3g} % recovery, pH {found.concentrate.ph:.2f}",
        "",
        f"  {'index in the concentrate':24}{'standard':>9}{'activity':>9}{'limit':>7}{'recovery':>10}  "
        f"limit by",
    ]
    for scale, limit in zip(found.scales, limits.limits, strict=True):
        index = [
            "" if figure != figure else "none" if figure < -99 else f"{figure:+.2f}".replace("-", "−")
            for figure in (scale.standard_index, scale.activity_index)
        ]
        allowed = "" if limit.recovery != limit.recovery else f"{100 * limit.recovery:.1f} %"
        why = limit.clause or limit.basis
        bound = f"{limit.limit_index:+.2f}".replace("-", "−")
        lines.append(f"  {scale.scale:24}{index[0]:>9}{index[1]:>9}{bound:>7}{allowed:>10}  {_short(why)}")
    lines += ["", *wrapped(f"{limits.sentence[:1].upper()}{limits.sentence[1:]}.", _COLUMNS)]
    for name, other in what_if.items():
        binding = other.binding
        text = "no scale limits it" if binding is None else f"{100 * binding.recovery:.1f} %, {binding.scale}"
        lines.append(f"  {name:20}{text}")
    told = [*site.water_taken, *limits.notes]
    text = "".join(f"{note[:1].upper()}{note[1:]}. " for note in told)
    lines += wrapped(
        f"{text}Indices are log10 of saturation: 0 at it, 1 at ten times; the standards' know no ion "
        f"pairs. {_ACID} {CAUTIONS}",
        _COLUMNS,
    )
    return lines


def _short(text: str) -> str:
    most = 38
    return text if len(text) <= most else f"{text[: most - 1].rsplit(' ', 1)[0]}…"
