"""Saturation beside PHREEQC: writes tests/published/phreeqc-saturation.toml, tells how far off ours is.

    python studies/saturation.py

phreeqpython brings USGS's PHREEQC with its database phreeqc.dat. The tests of both languages read the file;
tests/python/test_phreeqc.py asks PHREEQC itself, of other waters. The grid is five invented waters at four
temperatures and three concentration factors, as far
as 10 000 mg/L.
"""

from __future__ import annotations

from pathlib import Path

from phreeqpython import PhreeqPython, Solution

import brinemark as bm

OUT = Path(__file__).parents[1] / "tests" / "published" / "phreeqc-saturation.toml"
PHASES = ("Calcite", "Gypsum", "Barite", "Celestite", "Fluorite", "SiO2(a)")
# Barite's sign rests on the database, so that more is allowed.
TOLERANCE = {"Barite": 0.15}
ELEMENTS = {
    "sodium": "Na {}",
    "potassium": "K {}",
    "magnesium": "Mg {}",
    "calcium": "Ca {}",
    "barium": "Ba {}",
    "strontium": "Sr {}",
    "chloride": "Cl {}",
    "sulfate": "S(6) {} as SO4",
    "fluoride": "F {}",
    "nitrate": "N(5) {} as NO3",
    "silica": "Si {} as SiO2",
}
# mg/L of the ions; pH and alkalinity as CaCO3; sodium or chloride balances the charges.
_NAMES = (
    "potassium",
    "magnesium",
    "calcium",
    "barium",
    "strontium",
    "sulfate",
    "fluoride",
    "nitrate",
    "silica",
)
WATERS = {
    "soft": (dict(zip(_NAMES, (2, 3, 9, 0.01, 0.1, 8, 0.2, 2, 12), strict=True)), 6.8, 40),
    "hard": (dict(zip(_NAMES, (4, 28, 110, 0.08, 0.9, 70, 0.4, 15, 20), strict=True)), 7.3, 270),
    "gypsum": (dict(zip(_NAMES, (6, 60, 220, 0.02, 4, 700, 0.9, 3, 15), strict=True)), 7.4, 160),
    "saline": (
        {"sodium": 700, **dict(zip(_NAMES, (20, 50, 90, 0.15, 2, 250, 1.2, 5, 25), strict=True))},
        7.8,
        220,
    ),
    "alkaline": (
        {"sodium": 350, **dict(zip(_NAMES, (5, 8, 14, 0.05, 0.3, 120, 3.5, 1, 40), strict=True))},
        8.3,
        520,
    ),
}
TEMPERATURES_DEGC = (5.0, 15.0, 25.0, 35.0)
FACTORS = (1.0, 3.0, 6.0)
TDS_MAX_MG_L = 10_000.0


def balanced(ions: dict[str, float], ph: float, alkalinity: float, temperature: float) -> bm.Water:
    """The water with sodium or chloride that balances its charges."""
    ions = {"sodium": 0.0, "chloride": 0.0, **ions}
    unbalanced = bm.Water(
        temperature_degc=temperature,
        ph=ph,
        ions={name: content for name, content in ions.items() if name not in ("chloride",)},
        alkalinity_mg_l=alkalinity,
    )
    cations, anions = unbalanced.charges_meq_l
    ions["chloride"] += max(cations - anions, 0.0) * 35.453
    ions["sodium"] += max(anions - cations, 0.0) * 22.9898
    return bm.Water(temperature_degc=temperature, ph=ph, ions=ions, alkalinity_mg_l=alkalinity)


def solution(solver: PhreeqPython, water: bm.Water) -> Solution:
    """The water as PHREEQC has it; what was not analysed is not in it."""
    told = {"units": "mg/L", "temp": water.temperature_degc, "pH": water.ph, "density": "1 calculate"}
    told["Alkalinity"] = f"{water.alkalinity_mg_l} as CaCO3"
    for name, content in water.ions.items():
        if not content > 0:
            continue
        element, _, rest = ELEMENTS[name].partition(" ")
        told[element] = rest.format(content)
    return solver.add_solution(told)


def phreeqc(solver: PhreeqPython, water: bm.Water) -> list[float]:
    """Indices of the phases by PHREEQC."""
    there = solution(solver, water)
    indices = [there.si(phase) for phase in PHASES]
    there.forget()
    return indices


def main() -> None:
    """Writes the file and prints the differences."""
    solver = PhreeqPython(database="phreeqc.dat")
    lines = [
        'source = "PHREEQC 3 (USGS) by phreeqpython 1.6.2, its phreeqc.dat: indices of five invented waters, '
        'by studies/saturation.py"',
        'kind = "reference library"',
        'note = "Barite\'s sign rests on the database, hence its wider tolerance."',
    ]
    worst = dict.fromkeys(PHASES, 0.0)
    standard = {phase: [0.0, 0.0] for phase in PHASES}
    count = 0
    for ions, ph, alkalinity in WATERS.values():
        for temperature in TEMPERATURES_DEGC:
            feed = balanced(dict(ions), ph, alkalinity, temperature)
            for factor in FACTORS:
                full = feed.concentrate(1.0 - 1.0 / factor)
                # As it is written in the file, so that both solve the same water.
                contents = {name: float(f"{content:.6g}") for name, content in full.ions.items()}
                given = {
                    "temperature_degc": temperature,
                    "ph": round(full.ph, 4),
                    "alkalinity_mg_l": float(f"{full.alkalinity_mg_l:.6g}"),
                }
                try:
                    water = bm.Water(**given, ions=contents)
                except bm.RangeError:
                    continue  # pH above 10
                if water.tds_mg_l > TDS_MAX_MG_L:
                    continue
                count += 1
                found = bm.saturation(water, 0.0).scales
                told = ", ".join(f"{name} = {content!r}" for name, content in given.items())
                told += (
                    ", ions = { "
                    + ", ".join(f"{name} = {content!r}" for name, content in contents.items())
                    + " }"
                )
                for at, (phase, index) in enumerate(zip(PHASES, phreeqc(solver, water), strict=True)):
                    worst[phase] = max(worst[phase], abs(found[at].activity_index - index))
                    apart = found[at].standard_index - index
                    low, high = standard[phase]
                    standard[phase] = [min(low, apart), max(high, apart)]
                    lines += [
                        "",
                        "[[check]]",
                        'function = "saturation"',
                        f'figure = "scales.{at}.activity_index"',
                        f"arguments = {{ recovery = 0.0, water = {{ {told} }} }}",
                        f"expected = {index:.4f}",
                        'unit = "1"',
                        f"absolute = {TOLERANCE.get(phase, 0.05)}",
                    ]
    OUT.write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(f"{count} waters")
    for phase in PHASES:
        low, high = standard[phase]
        print(f"{phase}: by activities {worst[phase]:.3f} off at worst; standard {low:+.2f} to {high:+.2f}")


if __name__ == "__main__":
    main()
