"""How far verdicts on warranties can be trusted, on simulated contracts whose truth is known.

    python studies/contracts.py [--contracts 2000] [--seed 140000] [--processes 2]

Plants are those of ageing.py, three years each, with a log that also says when the unit stood, and with pH,
silt density, turbidity and free chlorine of the feed; what a plant's meters show is off and scatters as its
site file tells of accuracies (a meter that is wrong beyond its accuracy is the screening's matter, and not
here). A quarter of the contracts each is kept, broken by the membranes, broken by who runs the unit, or has
records too thin to tell.

A contract has a guarantee of permeate flow and of salt passage and limits of operation. One clause of it is
what the parties quarrel about: there the truth lies so far from what was agreed on as is drawn evenly from
nothing to `QUARREL`, so that a part of them no instrument can tell; the figures say how many, by how far off.
The others are as far off as contracts are as a rule (`APART`; common practice, no source). Two contracts of
three have salt by conductivity, as salt passage is agreed on as a rule, with one factor for both streams or
with those of the start-up's samples; every second one counts free chlorine from what is detectable (shares:
common practice, no source). Three of four demand that instruments be calibrated at start-up, each year and at
the end, and have their certificates (contract_certificates.py). The truth of a guarantee is what the
contract's own method makes of readings without error; that of a limit is what readings without error show on
the days that the unit ran.

A contract is broken where a clause is, kept where all are, and else not judged. The seeds are others than
those looked at while brinemark was built (1000 to 34999, 80000 to 80399, 95000 to 95399, 130000 to 131999).
Each figure stands beside its floor; one that is not met says so.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import ageing
import ageing_unit
import contract_certificates
import numpy as np
from ageing_instruments import UNITS
from ageing_membranes import stream
from numpy.typing import NDArray
from trend import Table, percent, share

import brinemark as bm

Array = NDArray[np.float64]

OUTCOMES = ("kept", "membranes", "operation", "thin")
# Whose membranes fail: what of them loses flow, what passes salt.
LOSES_FLOW = ("particulate", "biofouling", "organic", "scaling")
PASSES_SALT = ("oxidation", "leak")
FIT = ("healthy", "healthy", "feed", "particulate", "oxidation")
# How far the truth of what is quarrelled about lies from what was agreed on, at most: a share; of pH, pH.
QUARREL = dict.fromkeys(
    (
        "guarantee.permeate_flow",
        "guarantee.salt_passage",
        "limit.feed_pressure",
        "limit.feed_temperature",
        "limit.recovery",
        "limit.flux",
        "limit.feed_sdi",
        "limit.feed_turbidity",
        "limit.feed_free_chlorine",
        "limit.free_chlorine_exposure",
        "limit.feed_ph",
    ),
    0.5,
) | {"limit.feed_ph": 1.5}
# And of all others.
APART = {
    "guarantee.permeate_flow": (0.1, 0.4),
    "guarantee.salt_passage": (0.25, 1.0),
    "limit.feed_pressure": (0.1, 0.6),
    "limit.feed_temperature": (0.15, 0.6),
    "limit.recovery": (0.15, 0.4),
    "limit.flux": (0.15, 0.5),
}
# What is in the feed without anybody's fault: mean, standard deviation from day to day; of its instrument the
# limits of error, scatter and unit; and the limit that contracts set.
EXPOSURES = {
    "feed_ph": (7.4, 0.1, 0.1, 0.03, "", 9.0),
    "feed_sdi": (2.8, 0.2, 0.3, 0.15, "", 5.0),
    "feed_turbidity": (0.2, 0.04, 0.05, 0.02, "NTU", 1.0),
    "feed_free_chlorine": (0.0, 0.0, 0.005, 0.002, "mg/L", 0.1),
}


@dataclass(frozen=True)
class Job:
    """One contract."""

    seed: int
    outcome: str


@dataclass
class Contract:
    """A simulated contract: what its parties have, and what is true of each clause."""

    job: Job
    made: ageing.Ageing
    log: bm.Log
    site: bm.Site
    terms: bm.Terms
    quarrel: str
    # How far the truth of that lies from what was agreed on.
    distance: float
    kept: dict[str, bool] = field(default_factory=dict)


@dataclass(frozen=True)
class Exposed:
    """Something in the feed each day: what is there, what its meter shows, and what that is off by."""

    true: Array
    shown: Array
    off: float


def contract_of(job: Job) -> Contract:
    """The contract of a job, of a small plant and a large one in turn."""
    random = stream(job.seed, f"contract {job.outcome}")
    quarrels = list(QUARREL)
    if job.outcome == "membranes":
        quarrel = str(random.choice(quarrels[:2]))
        kind = str(random.choice(LOSES_FLOW if quarrel.endswith("flow") else PASSES_SALT))
    else:
        kind = str(random.choice(FIT))
        quarrel = str(random.choice(quarrels[2:] if job.outcome == "operation" else quarrels))
    made = ageing.simulate(job.seed, kind, size=("small", "large")[job.seed % 2], schedule="daily")
    broken = job.outcome in ("membranes", "operation")
    distance = random.uniform(0.0, QUARREL[quarrel])
    off = {name: random.uniform(*APART[name]) for name in APART}
    sign = dict.fromkeys(APART, 1.0)
    if quarrel in off:
        off[quarrel], sign[quarrel] = distance, -1.0 if broken else 1.0
    exposed = exposures(job.seed, made, quarrel, broken, distance)
    demanded = contract_certificates.demanded(job.seed)
    lapsed = demanded and job.outcome == "thin" and stream(job.seed, "lapsed").random() < LAPSED
    text = site_text(made)
    if demanded:
        meters = {name: each.off for name, each in exposed.items()}
        units = {name: EXPOSURES[name][4] for name in meters}
        text = contract_certificates.certified(made, meters, units, text, lapsed)
    site = bm.Site.parse(text)
    rows = rows_kept(job, made, lapsed)
    last = int(np.flatnonzero(rows)[-1])
    limit_text, highs = limits(made, off, sign, exposed, quarrel, broken, distance)
    terms = guarantee(random, made, last, off, sign, highs)
    terms = terms.replace("[records]\n", '[records]\ncalibration = "1 year"\n' if demanded else "[records]\n")
    terms += limit_text
    kept = {
        line[1:-1]: True
        for line in terms.splitlines()
        if line.startswith(("[guarantee.p", "[guarantee.s", "[limit."))
    }
    kept[quarrel] = not broken
    log = log_of(made, exposed, rows)
    return Contract(job, made, log, site, bm.Terms.parse(terms), quarrel, distance, kept)


def rows_kept(job: Job, made: ageing.Ageing, lapsed: bool) -> NDArray[np.bool_]:
    """The days of the log that are still there, of all days."""
    days = len(made.ran)
    read = np.zeros(days, dtype=bool)
    read[made.row_day] = True
    if job.outcome != "thin" or lapsed:
        return read
    random = stream(job.seed, "thin")
    if random.random() < 0.5:
        # Somebody looked once a week, or less.
        keep = np.zeros(days, dtype=bool)
        keep[:: int(random.integers(5, 15))] = True
        return read & keep
    lost = np.zeros(days, dtype=bool)
    whole = random.uniform(0.3, 0.6) * days
    while lost.sum() < whole:
        first = int(random.integers(0, days))
        lost[first : first + int(random.integers(20, 120))] = True
    return read & ~lost if (read & ~lost).sum() > 30 else read & (np.arange(days) % 10 == 0)


def exposures(
    seed: int, made: ageing.Ageing, quarrel: str, broken: bool, distance: float
) -> dict[str, Exposed]:
    """What is in the feed each day, and what the meter shows of it."""
    days = len(made.ran)
    found = {}
    for name, (mean, sd, accuracy, scatter, _, limit) in EXPOSURES.items():
        random = stream(seed, f"exposure {name}")
        true = np.maximum(mean + random.normal(0.0, sd, days), 0.0)
        if quarrel == f"limit.{name}":
            # A dosing that ran over, or nearly: some days, while the unit ran.
            ran = np.flatnonzero(made.ran)
            first = int(random.integers(30, len(ran) - 60))
            at = slice(first, first + int(random.integers(3, 30)))
            by = distance if broken else -distance / (1.0 + distance)
            peak = limit + (distance if broken else -distance) if name == "feed_ph" else limit * (1.0 + by)
            true[ran[at]] = np.maximum(true[ran[at]], peak)
        if name == "feed_free_chlorine" and quarrel == "limit.free_chlorine_exposure":
            ran = np.flatnonzero(made.ran)
            # A little, for months: never above the limit of its level.
            first = int(random.integers(30, len(ran) // 2))
            true[ran[first : first + int(random.integers(200, 500))]] = 0.08
        off = accuracy * float(np.clip(random.normal(0.0, 0.5), -1.0, 1.0))
        shown = true + off + random.normal(0.0, scatter, days)
        to_the_digit = np.asarray(np.round(np.maximum(shown, 0.0), 3), float)
        found[name] = Exposed(np.asarray(true, float), to_the_digit, off)
    return found


def site_text(made: ageing.Ageing) -> str:
    """The owner's site file, with the instruments of what is in the feed."""
    lines = ""
    for name, (_, _, accuracy, scatter, unit, _) in EXPOSURES.items():
        figures = [f"{figure} {unit}".strip() for figure in (accuracy, scatter)]
        lines += f'{name} = {{ accuracy = "{figures[0]}", repeatability = "{figures[1]}" }}\n'
    return made.site.text.replace("[instruments]\n", "[instruments]\n" + lines)


def log_of(made: ageing.Ageing, exposed: dict[str, Exposed], kept: NDArray[np.bool_]) -> bm.Log:
    """The log: a row each day that was read, and one each day that the unit stood."""
    rows = kept[made.row_day]
    noon = made.start + np.timedelta64(12, "h") + np.timedelta64(1, "D") * np.flatnonzero(~made.ran)
    times = np.concatenate([made.time[rows], noon.astype(made.time.dtype)])
    blank = np.full(len(noon), np.nan)
    columns = {
        f"{name} [{UNITS[name]}]": np.concatenate([values[rows], blank])
        for name, values in made.columns.items()
    }
    for name, each in exposed.items():
        unit = EXPOSURES[name][4]
        header = f"{name} [{unit}]" if unit else name
        columns[header] = np.concatenate([each.shown[made.row_day[rows]], blank])
    columns["running"] = np.concatenate([np.ones(rows.sum()), np.zeros(len(noon))])
    order = np.argsort(times, kind="stable")
    return bm.read_log(
        {"time": times[order], **{name: values[order] for name, values in columns.items()}}, tz="UTC"
    )


OVER = 28
# Of thin records where calibrations are demanded: how many have all readings, and none after the start.
LAPSED = 1 / 3
# Of contracts: how many have salt by conductivity, and how many count chlorine from so much on, mg/L.
BY_CONDUCTIVITY = 2 / 3
COUNTED = 0.5
DETECTABLE = 0.02
LAWS = (
    'law = "standard-practice"',
    'law = "arrhenius"\nconstant = "2640 K"\nconstant_below_25degC = "3020 K"',
    'law = "arrhenius"\nconstant = "2700 K"',
    'law = "viscosity"',
)


def guarantee(
    random: np.random.Generator,
    made: ageing.Ageing,
    last: int,
    off: dict[str, float],
    sign: dict[str, float],
    highs: dict[str, float],
) -> str:
    """The text of a warranty and its guarantee, promised so far from the truth."""
    made, of_salt = salt_agreed(made)
    exact, new = made.exact, slice(0, 60)
    method = str(random.choice(["standard-practice"] * 8 + ["pressure-only", "membrane-model"]))
    law = str(random.choice(LAWS))
    usual = {
        "feed_temperature": float(random.choice([15.0, 20.0, 25.0])),
        "feed_pressure": float(np.median(exact["feed_pressure"][new])),
        "recovery": float(np.median((exact["permeate_flow"] / exact["feed_flow"])[new])),
        "differential_pressure": float(
            np.median((exact["feed_pressure"] - exact["concentrate_pressure"])[new])
        ),
        "permeate_pressure": ageing_unit.PERMEATE_PRESSURE_BAR,
        "feed_tds": float(np.median(exact["feed_tds"][new])),
    }
    # Nobody states conditions that the contract's own limits forbid.
    stated = {
        name: float(f"{min(value, 0.98 * highs.get(name, np.inf)):.6g}") for name, value in usual.items()
    }
    days = np.flatnonzero(made.ran)
    days = days[(days > last - OVER) & (days <= last)]
    age = float(np.median(days)) / 365.25
    yearly = {
        "permeate_flow": -float(random.uniform(0.0, 0.07)),
        "salt_passage": float(random.uniform(0.0, 0.15)),
    }
    compounds = {name: bool(random.random() < 0.5) for name in yearly}
    # What is promised at the start enters the conditions, and so what the method makes of the readings.
    promised = {"permeate_flow": float(np.median(exact["permeate_flow"][new])), "salt_passage": 0.02}
    if not np.isfinite(list(by_contract(made, method, law, stated, promised, days).values())).all():
        # Nothing holds together there by the membrane model: nobody would have agreed on it.
        method = "standard-practice"
    for _ in range(6):
        true = by_contract(made, method, law, stated, promised, days)
        for name in promised:
            grown = (1.0 + yearly[name]) ** age if compounds[name] else 1.0 + yearly[name] * age
            # Kept: the truth lies above a minimum, below a maximum.
            above = (sign[f"guarantee.{name}"] > 0) == (name == "permeate_flow")
            by = 1.0 + off[f"guarantee.{name}"]
            promised[name] = (true[name] / by if above else true[name] * by) / grown
        if method != "standard-practice":
            break
    units = {"feed_temperature": "degC", "feed_tds": "mg/L", "recovery": ""}
    conditions = "".join(f'{name} = "{value} {units.get(name, "bar")}"\n' for name, value in stated.items())
    promises = ""
    for name, end in (("permeate_flow", "minimum"), ("salt_passage", "maximum")):
        figure = f"{promised[name]!r} m3/h" if name == "permeate_flow" else f"{100 * promised[name]!r} %"
        promises += (
            f'[guarantee.{name}]\n{end} = "{figure}"\nyearly_change = "{100 * yearly[name]!r} %"\n'
            f'change = "{"compounding" if compounds[name] else "of-first"}"\n'
        )
    promises = of_salt + promises
    of_law = "" if method == "pressure-only" else f"[guarantee.temperature]\n{law}\n"
    named = ("feed_temperature", "feed_pressure", "permeate_flow", "permeate_conductivity", *EXPOSURES)
    asked = "".join(f'{name} = "1 d"\n' for name in named)
    return f"""[warranty]
name = "Contract {made.seed}"
period = "3 years"
start_up = "{made.start}Z"
replacements = "refused"
[conditions]
{conditions}[guarantee]
method = "{method}"
over = "{OVER} d"
minimum_days = 10
{of_law}{promises}[records]
complete = "85 %"
[records.every]
{asked}"""


def salt_agreed(made: ageing.Ageing) -> tuple[ageing.Ageing, str]:
    """The plant with its salt as the contract has it, and the contract's words for that; often none."""
    random = stream(made.seed, "salt agreed")
    if random.random() >= BY_CONDUCTIVITY:
        return made, ""
    factors = (0.5, 0.5)
    if random.random() < 0.5:
        owners = json.loads(made.site.settings)["salinity"]["tds_per_conductivity"]
        factors = (owners["feed"], owners["permeate"])
    salts, text = {}, "[guarantee.tds_per_conductivity]\n"
    for stream_, factor in zip(("feed", "permeate"), factors, strict=True):
        name = f"{stream_}_tds"
        salts[name] = factor * bm.conductivity_from_tds(made.exact[name], basis="sodium-chloride")
        text += f"{stream_} = {factor}\n"
    return replace(made, exact=made.exact | salts), text


def by_contract(
    made: ageing.Ageing,
    method: str,
    law: str,
    stated: dict[str, float],
    promised: dict[str, float],
    days: NDArray[np.intp],
) -> dict[str, float]:
    """Flow and salt passage by the contract's own method, of readings without error on some days."""
    exact = made.exact
    if method == "pressure-only":
        driving = stated["feed_pressure"] - stated["permeate_pressure"]
        flow = exact["permeate_flow"] * driving / (exact["feed_pressure"] - exact["permeate_pressure"])
        passage = exact["permeate_tds"] / exact["feed_tds"]
        return {
            "permeate_flow": float(np.median(flow[days])),
            "salt_passage": float(np.median(passage[days])),
        }
    text = made.true_site.text
    text = f"{text[: text.index('[temperature]')]}[temperature]\n{law}\n{text[text.index('[normalise]') :]}"
    log, at = made.exact_log(), np.isin(np.flatnonzero(made.ran), days)
    if method == "membrane-model":
        site = bm.Site.parse(text)
        result = bm.normalise(log, site, analyses=("membrane_model",), screen=False)
        names = ("element_water_permeability", "element_salt_permeability", "spacer_friction")
        water, salt, friction = (float(np.median(result[name][at])) for name in names)
        found = bm.predict(
            site,
            bm.Membrane(water_permeability=water, salt_permeability=salt, spacer_friction=friction),
            feed_temperature_degc=stated["feed_temperature"],
            feed_tds_mg_l=stated["feed_tds"],
            permeate_pressure_bar=stated["permeate_pressure"],
            feed_pressure_bar=stated["feed_pressure"],
            recovery=stated["recovery"],
        )
        return {
            "permeate_flow": float(found["permeate_flow_m3_h"]),
            "salt_passage": float(found["permeate_tds_mg_l"]) / stated["feed_tds"],
        }
    units = {"feed_temperature": "degC", "feed_tds": "mg/L", "recovery": ""}
    design = "".join(f'{name} = "{value} {units.get(name, "bar")}"\n' for name, value in stated.items())
    reference = (
        f'[reference]\nkind = "design"\n{design}permeate_flow = "{promised["permeate_flow"]!r} m3/h"\n'
        f'permeate_tds = "{promised["salt_passage"] * stated["feed_tds"]!r} mg/L"\n'
    )
    site = bm.Site.parse(text[: text.index("[reference]")] + reference)
    result = bm.normalise(log, site, analyses=("permeate_flow", "salt_passage"), screen=False)
    return {name: float(np.median(result[f"normalised_{name}"][at])) for name in promised}


def limits(
    made: ageing.Ageing,
    off: dict[str, float],
    sign: dict[str, float],
    exposed: dict[str, Exposed],
    quarrel: str,
    broken: bool,
    distance: float,
) -> tuple[str, dict[str, float]]:
    """The limits of operation, so far from the truth: their text, and what those of the unit itself allow."""
    exact, ran = made.exact, made.ran
    unit = ageing_unit.build(made.seed, made.size)
    true = {
        "feed_pressure": (exact["feed_pressure"], "bar"),
        "feed_temperature": (exact["feed_temperature"], "degC"),
        "recovery": (exact["permeate_flow"] / exact["feed_flow"], ""),
        "flux": (1000.0 * exact["permeate_flow"] / (unit.area_m2 * unit.elements), "L/m2/h"),
    }
    text, highs = "", {}
    for name, (values, word) in true.items():
        key = f"limit.{name}"
        if sign[key] < 0:
            # On ten days at least, since some have no reading.
            high = float(np.sort(values[ran])[-10]) / (1.0 + off[key])
        else:
            high = float(values[ran].max()) * (1.0 + off[key])
        highs[name] = high if name != "recovery" else min(high, 0.999)
        text += f'[{key}]\nhigh = "{highs[name]!r} {word}"\n'
    of_total = quarrel == "limit.free_chlorine_exposure"
    for name, (_, _, _, _, word, limit) in EXPOSURES.items():
        text += f'[limit.{name}]\nhigh = "{limit} {word}"\n'
    counts = stream(made.seed, "counted").random() < COUNTED
    chlorine = exposed["feed_free_chlorine"].true[ran]
    total = 24.0 * float(chlorine[chlorine >= (DETECTABLE if counts else 0.0)].sum())
    high = max(1500.0, 1.5 * total)
    if of_total:
        high = total / (1.0 + distance) if broken else total * (1.0 + distance)
    text += f'[limit.free_chlorine_exposure]\nhigh = "{high!r} mg/L h"\n'
    return text + (f'counted_from = "{DETECTABLE} mg/L"\n' if counts else ""), highs


def run(job: Job) -> dict[str, Any]:
    """Judges one contract; one that can't be judged at all says so."""
    try:
        contract = contract_of(job)
    except bm.BrinemarkError as refusal:
        # Its faults can't be handed on to another process.
        raise RuntimeError(f"{job}: {refusal}") from None
    found: dict[str, Any] = {
        "seed": job.seed,
        "outcome": job.outcome,
        "quarrel": contract.quarrel,
        "distance": contract.distance / QUARREL[contract.quarrel],
        "certified": contract_certificates.demanded(job.seed),
    }
    try:
        model = "membrane-model" in contract.terms.text
        analyses = (*bm.ANALYSES, "membrane_model") if model else bm.ANALYSES
        result = bm.normalise(contract.log, contract.site, analyses=analyses)
        judgement = bm.warranty(result, contract.terms)[0]
    except bm.BrinemarkError as refusal:
        # No verdict is given where the log can't even be normalised.
        none = {"whole": "cannot be judged", "verdicts": {}, "truths": {}, "wrong": [], "records": False}
        return found | none | {"refused": str(refusal)}
    verdicts = {clause.key: clause.verdict for clause in judgement.clauses if clause.key in contract.kept}
    truths = {key: "kept" if kept else "broken" for key, kept in contract.kept.items()}
    called = set(verdicts.values())
    whole = "broken" if "broken" in called else "cannot be judged" if "cannot be judged" in called else "kept"
    return found | {
        "whole": whole,
        "verdicts": verdicts,
        "truths": truths,
        "wrong": [
            key for key, verdict in verdicts.items() if verdict not in (truths[key], "cannot be judged")
        ],
        "records": all(clause.verdict == "kept" for clause in judgement.clauses if clause.kind == "records"),
    }


def report(found: list[dict[str, Any]], table: Table) -> None:
    """Wrong verdicts, and those not given."""
    print("\nContracts")
    wrong = [one for one in found if one["wrong"]]
    table.show(
        f"a wrong verdict on any clause (of {len(found)} contracts)",
        f"{len(wrong)}, {percent(len(wrong) / len(found))}",
        "1 %",
        len(wrong) <= 0.01 * len(found),
    )
    complete = [one for one in found if one["outcome"] != "thin"]
    unjudged = [one["whole"] == "cannot be judged" for one in complete]
    table.show(
        f"cannot be judged, of those with complete records ({len(complete)})",
        percent(share(unjudged)),
        "10 %",
        share(unjudged) <= 0.10,
    )
    for certified in (True, False):
        of = [one["whole"] == "cannot be judged" for one in complete if one["certified"] == certified]
        table.show(f"    calibrations {'' if certified else 'not '}demanded ({len(of)})", percent(share(of)))
    for low, high in ((0.0, 0.1), (0.1, 0.2), (0.2, 0.5), (0.5, 1.0)):
        of = [one["whole"] == "cannot be judged" for one in complete if low <= one["distance"] < high]
        table.show(
            f"    quarrelled about by {50 * low:.0f} to {50 * high:.0f} % of what was agreed on ({len(of)})",
            percent(share(of)),
        )
    for outcome in OUTCOMES:
        of = [one for one in found if one["outcome"] == outcome]
        if of:
            called = [
                share(one["whole"] == word for one in of) for word in ("kept", "broken", "cannot be judged")
            ]
            table.show(
                f"    {outcome} ({len(of)}): kept; broken; cannot be judged",
                "; ".join(percent(part) for part in called),
            )
    thin = [one for one in found if one["outcome"] == "thin"]
    if thin:
        table.show("    thin records: called so", percent(share(not one["records"] for one in thin)))
    print("\nClauses, complete records: wrong; cannot be judged (where quarrelled about)")
    for key in QUARREL:
        of = [one for one in complete if key in one["verdicts"]]
        about = [one["verdicts"][key] == "cannot be judged" for one in of if one["quarrel"] == key]
        table.show(
            f"    {key} ({len(of)})",
            f"{sum(key in one['wrong'] for one in of)}; "
            f"{percent(share(one['verdicts'][key] == 'cannot be judged' for one in of))} "
            f"({sum(about)} of {len(about)})",
        )


def main() -> int:
    """Judges simulated contracts and prints the figures."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--contracts", type=int, default=2000, help="a quarter of each outcome (2000)")
    parser.add_argument("--seed", type=int, default=140_000, help="the first contract's seed (140000)")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--wrong", action="store_true", help="tell of each contract with a wrong verdict")
    given = parser.parse_args()
    jobs = [Job(given.seed + at, OUTCOMES[at // 2 % 4]) for at in range(given.contracts)]
    begun, found = time.monotonic(), []
    with ProcessPoolExecutor(given.processes) as pool:
        for one in pool.map(run, jobs):
            found.append(one)
            if sys.stderr.isatty():
                print(f"\rcontracts: {len(found)} of {len(jobs)}", end="", file=sys.stderr)
    refused = [one for one in found if "refused" in one]
    print(
        f"\ncontracts: {len(jobs)}, {time.monotonic() - begun:.0f} s; "
        f"refused: {len(refused)} {[one['refused'] for one in refused][:1]}"
    )
    table = Table()
    report(found, table)
    if given.wrong:
        for one in found:
            if one.get("wrong"):
                print(one)
    print("\nNot met: " + ("; ".join(table.unmet) if table.unmet else "nothing"))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
