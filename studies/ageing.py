"""Simulated plants that age for three years, whose truth is known.

    python studies/ageing.py --check [--plants 3] [--plot FILE]

`simulate(seed, kind, size=…, schedule=…)` invents a plant, runs it by the membrane model through seasons,
salinity and operators' hands, lets its membranes age and, by its kind, foul, scale, oxidise or leak, and
reads it with instruments that have errors. Everything is drawn from the seed. One seed is one plant: its
weather, ageing, operators and instruments are the same in every kind, so that kinds can be compared in pairs.

kind : "healthy"; a cause: "particulate", "biofouling", "organic", "scaling", "oxidation", "leak"; or what is
    no fault of the membranes: "sensor", "feed"
size : "small", one stage of one to three 4-inch elements; "large", two stages of vessels, 2 : 1
schedule : "daily", a reading a day with days missing and weeks off; "visits", three readings at commissioning
    and then six a year, in pencil
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import ageing_instruments
import ageing_unit
import numpy as np
from ageing_instruments import UNITS, Calibration
from ageing_membranes import SIGNATURES, Array, Cleaning, State, age, stream
from numpy.typing import NDArray

import brinemark as bm

KINDS = ("healthy", *SIGNATURES, "sensor", "feed")
SIZES = ("small", "large")
SCHEDULES = ("daily", "visits")


@dataclass(frozen=True)
class Ageing:
    """A simulated plant: what its owner has (`site`, `log()`), and what is true (all else).

    A day is counted from 0 at `start`; arrays of the truth have one figure a day, days without a reading too.
    """

    seed: int
    kind: str
    size: str
    schedule: str
    # As the owner wrote it, with the usual temperature constants, instruments and what he tells of events.
    site: bm.Site
    # The same unit with its own temperature constants, without instruments and events.
    true_site: bm.Site
    start: np.datetime64
    # The log: times, the day of each row, and columns by name, in UNITS; of a stage "stage 2 feed_pressure".
    time: NDArray[np.datetime64]
    row_day: NDArray[np.intp]
    columns: dict[str, Array]
    # Whether the unit ran; and what instruments without error would have shown had it run, salt in mg/L.
    ran: NDArray[np.bool_]
    exact: dict[str, Array]
    exact_stages: tuple[dict[str, Array], ...]
    # The whole train (mean of the stages, by membrane area) and stage by stage. See `effective` too.
    train: State
    settling: Array
    stages: tuple[State, ...]
    new: bm.Membrane
    # Of the Arrhenius laws, K.
    water_constant_k: float
    salt_constant_k: float
    # First day of the trouble, None in a healthy plant; and its form, such as "permeate_flow drifts".
    onset_day: int | None
    detail: str
    cleanings: tuple[Cleaning, ...]
    calibrations: tuple[Calibration, ...]
    # Its instruments, by column.
    instruments: dict[str, ageing_instruments.Instrument]
    # Coldest water of all days, and its day.
    coldest_degc: float
    coldest_day: int

    def log(self) -> bm.Log:
        """The log as the plant's owner would bring it."""
        named = {f"{name} [{UNITS[name.split()[-1]]}]": values for name, values in self.columns.items()}
        return bm.read_log({"time": self.time, **named}, tz="UTC")

    def exact_log(self, stage: int | None = None) -> bm.Log:
        """A log of what instruments without error would have shown, once each day that the unit ran.

        Of a stage, from 1, or of the whole unit.
        """
        units = {"temperature": "degC", "pressure": "bar", "flow": "m3/h", "tds": "mg/L"}
        of = self.exact if stage is None else self.exact_stages[stage - 1]
        named = {
            f"{name} [{units[name.rpartition('_')[2]]}]": values[self.ran] for name, values in of.items()
        }
        noon = self.start + np.timedelta64(1, "D") * np.flatnonzero(self.ran) + np.timedelta64(12, "h")
        if stage is not None:
            named["stage"] = np.full(len(noon), stage)
        return bm.read_log({"time": noon, **named}, tz="UTC")

    def effective(self, stage: int | None = None) -> dict[str, Array]:
        """The train, or a stage, each day as one membrane: what the model infers from exact readings.

        Logarithms against new, by name ("water", "salt", "friction"); NaN on days without running. Equal to
        `train` or the stage's state where all membranes are alike; elsewhere it is what a reading can show of
        the train, with the short-lived variation of `train.water - train.water_trend`.
        """
        site = self.true_site
        if stage is not None:
            apart = site.text.replace("stages_together = true", "stages_together = false")
            site = bm.Site.parse(apart)
        result = bm.normalise(self.exact_log(stage), site, analyses=("membrane_model",), screen=False)
        new = {
            "water": ("element_water_permeability", self.new.water_permeability),
            "salt": ("element_salt_permeability", self.new.salt_permeability),
            "friction": ("spacer_friction", self.new.spacer_friction),
        }
        made = {}
        for name, (column, when_new) in new.items():
            made[name] = np.full(len(self.ran), np.nan)
            made[name][self.ran] = np.log(result[column] / when_new)
        return made


def simulate(
    seed: int,
    kind: str,
    *,
    size: str,
    schedule: str,
    days: int = 1095,
    cleaned: bool = False,
    interstage: bool = False,
) -> Ageing:
    """One plant. With `cleaned`, two to six cleanings, half of which the site file tells.

    With `interstage` each stage has instruments of its own, and the log (not `columns`) a row for each;
    without, the log is of the whole unit.
    """
    for given, known in ((kind, KINDS), (size, SIZES), (schedule, SCHEDULES)):
        if given not in known:
            raise ValueError(f"{given!r} is none of {', '.join(known)}")
    if days < 365:
        raise ValueError(f"{days} days: at least a year, 365")
    if interstage and size == "small":
        raise ValueError("a small plant has one stage: no interstage")
    random = stream(seed, "start")
    start = np.datetime64("2022-01-01T00:00:00") + np.timedelta64(int(random.integers(365)), "D")
    has_differential = bool(random.random() < 0.5)
    unit = ageing_unit.build(seed, size)
    onset = ageing_unit.onset_of(seed, kind, days, cleaned)
    membranes = age(seed, kind, unit.shares, days, onset, cleaned, start)
    water = ageing_unit.weather(seed, start, days, unit.feed_tds_mg_l)
    several = size == "large"
    own_laws = unit.site_text(unit.water_constant_k, unit.salt_constant_k, together=several)
    true_site = bm.Site.parse(own_laws + _salinity("") + _reference(start, "daily"))
    change = ageing_unit.change(seed, kind, days, onset)
    stopped = [each.day for each in membranes.cleanings]
    train, stages = membranes.train, membranes.stages
    exact_stages = ageing_unit.run(seed, unit, true_site, water, train, stages, change)
    exact = ageing_unit.together(exact_stages)

    having = ageing_instruments.instruments(seed, _visible(exact, has_differential), schedule)
    wrong = ageing_instruments.trouble(seed, kind, days, onset)
    set_right = ageing_instruments.calibrations(seed, days, wrong, onset)
    readings: dict[str, Array] = {}
    for number, each in enumerate(exact_stages if interstage else [exact], start=1):
        place = f"stage {number} " if interstage else ""
        shown = ageing_instruments.shown(
            seed,
            _visible(each, has_differential),
            having,
            set_right,
            # One meter is wrong, not all of its kind.
            wrong if number == 1 else None,
            place,
        )
        if number > 1:
            del shown["feed_temperature"]
        # There is one thermometer.
        readings |= {name if name == "feed_temperature" else place + name: shown[name] for name in shown}
    row_day, ran = ageing_instruments.days_read(seed, schedule, days, stopped)
    minutes = np.round(60.0 * water.hour).astype("timedelta64[m]")
    of_days = start + np.timedelta64(1, "D") * np.arange(days) + minutes
    usual_laws = unit.site_text(
        ageing_unit.USUAL_WATER_CONSTANT_K,
        ageing_unit.USUAL_SALT_CONSTANT_K,
        together=several and not interstage,
    )
    site = bm.Site.parse(
        usual_laws
        + _salinity(_factors(seed, exact))
        + _reference(start, schedule)
        + f'[assume]\npermeate_pressure = "{ageing_unit.PERMEATE_PRESSURE_BAR} bar"\n'
        + ageing_instruments.lines(having, set_right, start)
        + _cleanings(membranes.cleanings)
    )
    coldest = int(np.argmin(water.temperature_degc))
    return Ageing(
        seed=seed,
        kind=kind,
        size=size,
        schedule=schedule,
        site=site,
        true_site=true_site,
        start=start,
        time=of_days[row_day],
        row_day=row_day,
        columns={name: values[row_day] for name, values in readings.items()},
        ran=ran,
        exact=exact,
        exact_stages=exact_stages,
        train=train,
        stages=stages,
        new=unit.new,
        water_constant_k=unit.water_constant_k,
        salt_constant_k=unit.salt_constant_k,
        onset_day=None if kind == "healthy" else onset,
        settling=membranes.settling,
        detail=change.detail or (wrong.detail if wrong else membranes.detail),
        cleanings=membranes.cleanings,
        calibrations=set_right,
        instruments=having,
        coldest_degc=float(water.temperature_degc[coldest]),
        coldest_day=coldest,
    )


def _visible(exact: dict[str, Array], has_differential: bool) -> dict[str, Array]:
    """What the unit has an instrument for."""
    columns = {name: exact[name] for name in UNITS if name in exact}
    if has_differential:
        columns["differential_pressure"] = columns["feed_pressure"] - columns.pop("concentrate_pressure")
    for name in ("feed", "permeate"):
        columns[f"{name}_conductivity"] = bm.conductivity_from_tds(
            exact[f"{name}_tds"], basis="sodium-chloride"
        )
    return columns


def _salinity(more: str) -> str:
    return f'[salinity]\nbasis = "sodium-chloride"\n{more}'


def _factors(seed: int, exact: dict[str, Array]) -> str:
    """One factor a stream, taken from a few samples, and so a few per cent off."""
    random = stream(seed, "samples")
    text = "[salinity.tds_per_conductivity]\n"
    for name in ("feed", "permeate"):
        tds = float(np.median(exact[f"{name}_tds"][:60]))
        factor = tds / float(bm.conductivity_from_tds(tds, basis="sodium-chloride"))
        text += f"{name} = {factor * (1.0 + np.clip(random.normal(0.0, 0.015), -0.03, 0.03)):.3f}\n"
    return text + 'accuracy = "3 %"\n'


def _reference(start: np.datetime64, schedule: str) -> str:
    fewest = 5 if schedule == "daily" else 3
    return f'[reference]\nkind = "baseline"\nstart = "{start}Z"\nminimum_readings = {fewest}\n'


def _cleanings(cleanings: tuple[Cleaning, ...]) -> str:
    return "".join(
        f'[[event]]\ntime = "{each.told}Z"\nkind = "cleaning"\n'
        for each in cleanings
        if each.told is not None
    )


# How near the model's inversion of exact readings must come to the truth where all membranes are alike.
TOLERANCE = 1e-3


def check(plants: int, picture: str | None) -> int:
    """Prints truth beside what the exact readings give back; counts plants that are not as they should be."""
    wrong = 0
    for size in SIZES:
        print(
            f"{size}: end of three years, as logarithms; and how far the readings' own inversion is from it"
        )
        print(
            f"{'kind':22}{'seed':>5}{'onset':>6}{'K water':>9}{'coldest':>8}"
            f"{'water':>8}{'salt':>8}{'friction':>9}  {'inversion off by, at most':27}{'cleanings':>10}  form"
        )
        for kind in KINDS:
            for seed in range(plants):
                for cleaned in (False, True):
                    made = simulate(seed, kind, size=size, schedule="daily", cleaned=cleaned)
                    off = _inversion_off(made)
                    faults = _faults(made, off)
                    wrong += bool(faults)
                    print(
                        f"{kind + (', cleaned' if cleaned else ''):22}{seed:>5}{made.onset_day or '-':>6}"
                        f"{made.water_constant_k:>9.0f}{made.coldest_degc:>8.1f}{made.train.water[-1]:>8.3f}"
                        f"{made.train.salt[-1]:>8.3f}{made.train.friction[-1]:>9.3f}  "
                        + " ".join(f"{figure:8.1e}" for figure in off.values())
                        + f"{len(made.cleanings):>11}  {made.detail}"
                        + "".join(f"  WRONG: {fault}" for fault in faults)
                    )
        print()
    print(f"{wrong} plants are not as they should be")
    print(f"each stage by itself, and trains all alike, are to be within {TOLERANCE:.1%}")
    if picture is not None:
        _picture(picture)
    return wrong


def _inversion_off(made: Ageing) -> dict[str, float]:
    """The largest differences of the effective membrane from the mean of the stages."""
    return {
        name: float(np.nanmax(np.abs(found - getattr(made.train, name))))
        for name, found in made.effective().items()
    }


def _faults(made: Ageing, off: dict[str, float]) -> list[str]:
    """What a plant lacks of what its kind promises."""
    faults = []
    names = ("water", "salt", "friction")
    alike = all(
        np.allclose(getattr(made.train, name), getattr(stage, name))
        for stage in made.stages
        for name in names
    )
    if alike and max(off.values()) > TOLERANCE:
        faults.append(f"inversion off by {max(off.values()):.1e}")
    for number, stage in enumerate(made.stages, start=1):
        for name, found in made.effective(number).items():
            if np.nanmax(np.abs(found - getattr(stage, name))) > TOLERANCE:
                faults.append(f"stage {number}: {name} is not given back")
    recovery = made.exact["permeate_flow"] / made.exact["feed_flow"]
    off_by = np.abs(recovery / np.median(recovery[: made.onset_day]) - 1.0).max()
    # The valve is set for the mean of the stages, which is not quite what stages far apart make together.
    if made.kind != "feed" and off_by > (0.04 if alike else 0.1):
        faults.append(f"recovery {recovery.min():.3f} to {recovery.max():.3f}")
    # Against the same plant, healthy.
    fit = simulate(made.seed, "healthy", size=made.size, schedule=made.schedule)
    added = {
        name: getattr(made.train, name) - getattr(fit.train, name) for name in ("water", "salt", "friction")
    }
    if made.onset_day is not None and any(
        np.abs(each[: made.onset_day]).max() > 1e-12 for each in added.values()
    ):
        faults.append("trouble before its onset")
    if made.kind in SIGNATURES:
        signature = SIGNATURES[made.kind]
        lost = 1.0 - np.exp(added["water"])
        if signature.cleans and not 0.05 - 1e-9 <= lost.max() <= 0.4 + 1e-9:
            faults.append(f"lost {lost.max():.1%} at most")
        if not signature.cleans and added["salt"][-1] <= 0.0:
            faults.append("no more salt")
        for cleaning in made.cleanings:
            back = added["water"][cleaning.day + 1 :][:1] - added["water"][cleaning.day]
            if signature.cleans and len(back) and not back[0] > 0.0:
                faults.append(f"nothing won back on day {cleaning.day}")
    elif any(np.abs(each).max() > 1e-12 for each in added.values()):
        faults.append("membranes are not as they were")
    return faults


def _picture(path: str) -> None:
    """One plant of each kind: what is true of its membranes, and what a raw reading shows."""
    import matplotlib as mpl

    mpl.use("Agg")
    from matplotlib import pyplot as plt

    figure, axes = plt.subplots(len(KINDS), 4, figsize=(20, 3 * len(KINDS)), sharex=True, squeeze=False)
    for row, kind in zip(axes, KINDS, strict=True):
        for at, (size, cleaned) in enumerate([("small", False), ("large", True)]):
            made = simulate(1, kind, size=size, schedule="daily", cleaned=cleaned)
            truth, raw = row[2 * at], row[2 * at + 1]
            effective = made.effective()
            for name, colour in (("water", "tab:blue"), ("salt", "tab:red"), ("friction", "tab:green")):
                truth.plot(getattr(made.train, name), color=colour, label=name, linewidth=1)
                truth.plot(effective[name], color=colour, linewidth=0.5, linestyle=":")
            for cleaning in made.cleanings:
                truth.axvline(cleaning.day, color="grey", linewidth=0.5)
            truth.set_title(f"{kind}, {size}{', cleaned' if cleaned else ''}: {made.detail}")
            for name in made.columns:
                values = made.columns[name]
                raw.plot(made.row_day, values / np.median(values), ".", markersize=1, label=name)
            raw.set_ylim(0.3, 2.0)
    axes[0, 0].legend()
    axes[0, 1].legend(fontsize=6)
    figure.tight_layout()
    figure.savefig(path, dpi=60)


def main() -> int:
    """Checks the simulation against itself."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--check", action="store_true", required=True)
    parser.add_argument("--plants", type=int, default=3, help="of each kind and size")
    parser.add_argument("--plot", metavar="FILE", help="a picture of one plant of each kind")
    given = parser.parse_args()
    return int(check(given.plants, given.plot) > 0)


if __name__ == "__main__":
    raise SystemExit(main())
