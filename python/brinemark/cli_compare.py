"""The command `compare`: trains or periods against each other, and how long a trial must be."""

from __future__ import annotations

import argparse
import copy
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from brinemark import cli
from brinemark.words import comparison_words, plan_words, wrapped

if TYPE_CHECKING:
    from brinemark import Arm, Result, TrialPrices

_COLUMNS = 100
_DESIGNS = ("parallel", "before-after", "before-after-control", "crossover")
_KEYS = ("train", "stage", "start", "end", "cost", "cleanings", "log", "site")


def add(commands: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """Adds the command to those there are."""
    command = commands.add_parser(
        "compare",
        help="compare trains or periods: which pretreatment fouls less, and how sure that is",
        description="Compares the arms of a trial by fouling rate, salt passage, differential pressure, days "
        "between cleanings, energy, water and cost; or plans one (--plan) from the noise of the log.",
    )
    cli._add_log(command, with_model=True)
    command.add_argument(
        "--arm",
        action="append",
        default=[],
        metavar="TREATMENT,KEY=VALUE,…",
        help="an arm, such as 'cartridge,train=A,start=2025-03-01,end=2025-09-01'; keys: "
        f"{', '.join(_KEYS)} (cleanings with blanks between; log and site of a train that has its own); the "
        "first one's treatment is the control's; two or more",
    )
    command.add_argument(
        "--design", default="parallel", choices=_DESIGNS, help="how the trial is built (parallel)"
    )
    command.add_argument(
        "--margin", type=float, default=10.0, metavar="PERCENT", help="more that counts as no worse (10)"
    )
    command.add_argument(
        "--level", type=float, default=0.90, help="how often an interval shall hold the true figure (0.90)"
    )
    command.add_argument("--method", default="state-space", choices=("state-space", "block-bootstrap"))
    command.add_argument(
        "--placebo", nargs=2, metavar=("FROM", "UNTIL"), help="a time in which nothing changed"
    )
    command.add_argument(
        "--washout-days",
        type=float,
        default=0.0,
        metavar="DAYS",
        help="at the begin of each arm, not counted (0)",
    )
    command.add_argument(
        "--allow-unlike", action="store_true", help="compare arms that are not alike, and mark the outcome"
    )
    command.add_argument("--seed", type=int, default=1, help="of what is drawn (1)")
    command.add_argument(
        "--plot", type=Path, metavar="PICTURE", help="a .png or .svg of the effects, or of the power"
    )
    prices = command.add_argument_group("what things cost, all in one currency")
    prices.add_argument("--energy-price", type=float, metavar="FIGURE", help="of a kilowatt hour")
    prices.add_argument(
        "--water-price", type=float, default=0.0, metavar="FIGURE", help="of a m3 of raw water (0)"
    )
    prices.add_argument(
        "--cleaning-price", type=float, default=0.0, metavar="FIGURE", help="of one cleaning (0)"
    )
    prices.add_argument(
        "--pump-efficiency",
        type=float,
        default=0.65,
        metavar="FIGURE",
        help="hydraulic over electrical power (0.65)",
    )
    plan = command.add_argument_group("planning, instead of comparing")
    plan.add_argument(
        "--plan", action="store_true", help="say how long a trial must be; of two trains, give two --arm"
    )
    plan.add_argument(
        "--reduction", type=float, default=20.0, metavar="PERCENT", help="lower fouling rate to be seen (20)"
    )
    plan.add_argument("--power", type=float, default=80.0, metavar="PERCENT", help="how often (80)")
    plan.add_argument(
        "--fouling-rate", type=float, metavar="PER_YEAR", help="without the treatment (the log's)"
    )
    command.set_defaults(run=_compare)


def _compare(given: argparse.Namespace) -> int:
    steps = cli._Steps()
    _, _, result = cli._read(given, steps)
    arms = [_arm(text, given, result, steps) for text in given.arm]
    return _plan(given, result, arms) if given.plan else _compared(given, arms, steps)


def _arm(text: str, given: argparse.Namespace, result: Result, steps: cli._Steps) -> Arm:
    from brinemark import Arm

    treatment, *rest = (part.strip() for part in text.split(","))
    keys: dict[str, str] = {}
    for pair in rest:
        key, equals, value = pair.partition("=")
        if not equals or key.strip() not in _KEYS or not value.strip():
            raise cli._UnusableError(f"--arm {text!r}: {pair!r}: write KEY=VALUE; keys: {', '.join(_KEYS)}")
        keys[key.strip()] = value.strip()
    if "log" in keys or "site" in keys:
        own = copy.copy(given)
        own.log = [Path(keys["log"])] if "log" in keys else given.log
        own.site = Path(keys.get("site", given.site))
        own.save_baseline = None
        _, _, result = cli._read(own, steps)
    try:
        cost = float(keys.get("cost", "0"))
    except ValueError:
        raise cli._UnusableError(f"--arm {text!r}: cost={keys['cost']}: a figure") from None
    return Arm(
        result=result,
        treatment=treatment,
        train=keys.get("train"),
        stage=keys.get("stage"),
        start=keys.get("start"),
        end=keys.get("end"),
        cleanings=keys["cleanings"].split() if "cleanings" in keys else None,
        treatment_cost=cost,
    )


def _prices(given: argparse.Namespace) -> TrialPrices | None:
    from brinemark import TrialPrices

    if given.energy_price is None:
        return None
    return TrialPrices(
        energy_per_kwh=given.energy_price,
        water_per_m3=given.water_price,
        cleaning=given.cleaning_price,
        pump_efficiency=given.pump_efficiency,
    )


def _compared(given: argparse.Namespace, arms: list[Arm], steps: cli._Steps) -> int:
    import brinemark as bm

    if len(arms) < 2:
        raise cli._UnusableError("--arm: two or more")
    steps.say("comparing")
    found = bm.compare(
        arms,
        design=given.design,
        margin=given.margin / 100,
        level=given.level,
        method=given.method,
        placebo=None if given.placebo is None else tuple(given.placebo),
        washout_days=given.washout_days,
        allow_unlike=given.allow_unlike,
        prices=_prices(given),
        seed=given.seed,
    )
    if given.plot is not None:
        _draw(given.plot, bm.plot.effects(found))
    _say(given, found.to_dict(), comparison_words(found))
    return 0


def _plan(given: argparse.Namespace, result: Result, arms: list[Arm]) -> int:
    import brinemark as bm

    if len(arms) > 2:
        raise cli._UnusableError("--plan: the log's only train, or one or two --arm")
    first, second = (*arms, None, None)[:2]
    found = bm.plan_trial(
        result if first is None else first.result,
        beside=None if second is None else second.result,
        train=None if first is None else first.train,
        beside_train=None if second is None else second.train,
        start=None if first is None else first.start,
        end=None if first is None else first.end,
        design=given.design,
        reduction=given.reduction / 100,
        power=given.power / 100,
        fouling_rate_per_year=given.fouling_rate,
        level=given.level,
        seed=given.seed,
    )
    if given.plot is not None:
        _draw(given.plot, bm.plot.power(found))
    _say(given, found.to_dict(), plan_words(found))
    return 0


def _draw(path: Path, figure: Any) -> None:
    if path.suffix not in (".png", ".svg"):
        raise cli._UnusableError(f"--plot {path}: a name that ends in .png or .svg")
    try:
        figure.savefig(path, dpi=150)
    except OSError as cause:
        raise cli._UnusableError(f"{path} can't be written: {cause.strerror}") from cause


def _say(given: argparse.Namespace, told: dict[str, Any], words: list[str]) -> None:
    if given.json:
        print(json.dumps(told, indent=2))
        return
    for line in words:
        lead = " " * (len(line) - len(line.lstrip()))
        print("\n".join(wrapped(line.strip(), _COLUMNS, lead, f"{lead}  ")) if line.strip() else "")
