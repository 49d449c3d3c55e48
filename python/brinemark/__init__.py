"""Like-for-like figures for reverse-osmosis units: what changed, how sure, what to do.

The way an engineer would write it::

    import brinemark as bm

    site = bm.Site.load("site.toml")
    log = bm.read_log("plant.csv", tz="Etc/GMT+7")  # or a pandas, polars or Arrow table
    result = bm.normalise(log, site)
    print(bm.assess(result)[0].sentence)
    bm.report(result).save("report.html")

Names are loaded when they are first used, so that the command starts at once.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from brinemark import demo as demo
    from brinemark import plot as plot
    from brinemark._core import (
        Baseline,
        BaselineError,
        BrinemarkError,
        Estimate,
        Event,
        Fault,
        FileError,
        LimitCount,
        LogError,
        MethodError,
        MissingColumnError,
        Provenance,
        RangeError,
        Reference,
        Site,
        SiteError,
        Standing,
        UnitError,
        __version__,
        convert,
        density,
        log_columns,
        log_mean_factor,
        membrane_inlet_tds,
        net_driving_pressure,
        normalised_differential_pressure,
        normalised_permeate_flow,
        normalised_salt_passage,
        osmotic_pressure,
        osmotic_pressure_of_molality,
        requirements,
        salt_permeability,
        sodium_chloride_molality,
        sodium_chloride_osmotic_coefficient,
        temperature_factor,
        unit_words,
        viscosity,
        water_permeability,
    )
    from brinemark.frames import (
        ANALYSES,
        Log,
        Result,
        Table,
        assess,
        baseline,
        normalise,
        read_log,
        scan_log,
    )
    from brinemark.page import Report, report

_HOMES = {
    "brinemark._core": (
        "Baseline",
        "BaselineError",
        "BrinemarkError",
        "Estimate",
        "Event",
        "Fault",
        "FileError",
        "LimitCount",
        "LogError",
        "MethodError",
        "MissingColumnError",
        "Provenance",
        "RangeError",
        "Reference",
        "Site",
        "SiteError",
        "Standing",
        "UnitError",
        "__version__",
        "convert",
        "density",
        "log_columns",
        "log_mean_factor",
        "membrane_inlet_tds",
        "net_driving_pressure",
        "normalised_differential_pressure",
        "normalised_permeate_flow",
        "normalised_salt_passage",
        "osmotic_pressure",
        "osmotic_pressure_of_molality",
        "requirements",
        "salt_permeability",
        "sodium_chloride_molality",
        "sodium_chloride_osmotic_coefficient",
        "temperature_factor",
        "unit_words",
        "viscosity",
        "water_permeability",
    ),
    "brinemark.frames": (
        "ANALYSES",
        "Log",
        "Result",
        "Table",
        "assess",
        "baseline",
        "normalise",
        "read_log",
        "scan_log",
    ),
    "brinemark.page": ("Report", "report"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = [
    "ANALYSES",
    "Baseline",
    "BaselineError",
    "BrinemarkError",
    "Estimate",
    "Event",
    "Fault",
    "FileError",
    "LimitCount",
    "Log",
    "LogError",
    "MethodError",
    "MissingColumnError",
    "Provenance",
    "RangeError",
    "Reference",
    "Report",
    "Result",
    "Site",
    "SiteError",
    "Standing",
    "Table",
    "UnitError",
    "__version__",
    "assess",
    "baseline",
    "convert",
    "demo",
    "density",
    "log_columns",
    "log_mean_factor",
    "membrane_inlet_tds",
    "net_driving_pressure",
    "normalise",
    "normalised_differential_pressure",
    "normalised_permeate_flow",
    "normalised_salt_passage",
    "osmotic_pressure",
    "osmotic_pressure_of_molality",
    "plot",
    "read_log",
    "report",
    "requirements",
    "salt_permeability",
    "scan_log",
    "sodium_chloride_molality",
    "sodium_chloride_osmotic_coefficient",
    "temperature_factor",
    "unit_words",
    "viscosity",
    "water_permeability",
]


def __getattr__(name: str) -> object:
    if name in ("demo", "plot"):
        return import_module(f"brinemark.{name}")
    home = _HOME_OF.get(name)
    if home is None:
        raise AttributeError(f"module 'brinemark' has no attribute {name!r}")
    value = getattr(import_module(home), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
