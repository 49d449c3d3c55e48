"""The compiled core. Users import these names from `brinemark`."""

from collections.abc import Callable, Iterator, Sequence
from os import PathLike
from typing import Any, final

import numpy as np
from numpy.typing import ArrayLike, NDArray

# A float where every argument is a scalar, else an array of float64.
_Figures = Any
_Path = str | PathLike[str]

__all__ = [
    "Baseline",
    "BaselineError",
    "BrinemarkError",
    "Budget",
    "Estimate",
    "Event",
    "Fault",
    "FileError",
    "LimitCount",
    "Log",
    "LogBlocks",
    "LogError",
    "Membrane",
    "MethodError",
    "MissingColumnError",
    "Provenance",
    "RangeError",
    "ReadOptions",
    "Reference",
    "Result",
    "Share",
    "Site",
    "SiteError",
    "Standing",
    "Table",
    "UnitError",
    "__version__",
    "assess",
    "budget",
    "conductivity_at_25",
    "conductivity_from_tds",
    "convert",
    "density",
    "find_baseline",
    "instrument_classes",
    "log_columns",
    "log_mean_factor",
    "membrane_inlet_tds",
    "monte_carlo",
    "net_driving_pressure",
    "normalise",
    "normalised_differential_pressure",
    "normalised_permeate_flow",
    "normalised_salt_passage",
    "osmotic_pressure",
    "osmotic_pressure_of_molality",
    "potassium_chloride_conductivity",
    "predict",
    "predict_elements",
    "rated_membrane",
    "read_arrow",
    "read_columns",
    "read_files",
    "requirements",
    "salt_permeability",
    "seawater_density",
    "seawater_osmotic_pressure",
    "sodium_chloride_molality",
    "sodium_chloride_osmotic_coefficient",
    "tds_from_conductivity",
    "temperature_factor",
    "unit_words",
    "viscosity",
    "water_permeability",
]

__version__: str

class BrinemarkError(ValueError):
    faults: list[Fault]

class RangeError(BrinemarkError): ...
class UnitError(BrinemarkError): ...
class LogError(BrinemarkError): ...
class SiteError(BrinemarkError): ...
class MissingColumnError(BrinemarkError): ...
class BaselineError(BrinemarkError): ...
class MethodError(BrinemarkError): ...
class FileError(BrinemarkError): ...

@final
class Fault:
    @property
    def file(self) -> str | None: ...
    @property
    def row(self) -> int | None: ...
    @property
    def line(self) -> int | None: ...
    @property
    def column(self) -> str | None: ...
    @property
    def value(self) -> str | None: ...
    @property
    def problem(self) -> str: ...
    @property
    def remedy(self) -> str: ...

@final
class Event:
    @property
    def time(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def note(self) -> str: ...

@final
class Site:
    @staticmethod
    def load(path: _Path) -> Site: ...
    @staticmethod
    def parse(text: str) -> Site: ...
    @staticmethod
    def template() -> str: ...
    @property
    def name(self) -> str: ...
    @property
    def notes(self) -> str | None: ...
    @property
    def text(self) -> str: ...
    @property
    def elements(self) -> int: ...
    @property
    def stages(self) -> int: ...
    @property
    def events(self) -> list[Event]: ...
    @property
    def settings(self) -> str: ...

@final
class Table:
    def __len__(self) -> int: ...
    @property
    def columns(self) -> list[str]: ...
    @property
    def headers(self) -> list[str]: ...
    @property
    def units(self) -> dict[str, str]: ...
    @property
    def zone(self) -> str: ...
    def time(self) -> NDArray[np.int64]: ...
    def column(self, name: str, unit: str | None = None) -> NDArray[np.float64]: ...
    def labels(self, name: str) -> list[str] | None: ...
    def write_csv(self, path: _Path) -> None: ...
    def write_parquet(self, path: _Path) -> None: ...
    def __arrow_c_stream__(self, requested_schema: object | None = None) -> object: ...

@final
class Log:
    @property
    def table(self) -> Table: ...
    @property
    def left_out(self) -> list[str]: ...
    @property
    def sources(self) -> list[tuple[str, int]]: ...
    @property
    def written_to(self) -> dict[str, float]: ...
    def hash(self) -> str: ...

@final
class ReadOptions:
    def __new__(
        cls,
        *,
        mapping: _Path | None = None,
        units: dict[str, str] | None = None,
        columns: dict[str, str | list[str] | None] | None = None,
        tz: str | None = None,
        time_format: str | None = None,
        separator: str | None = None,
        decimal: str | None = None,
        sheet: str | None = None,
        header_row: int | None = None,
        units_row: bool | None = None,
        time_label: str | None = None,
        interval: str | None = None,
        clock_change: str | None = None,
        sort: bool | None = None,
    ) -> ReadOptions: ...

@final
class LogBlocks:
    def __new__(cls, path: _Path, options: ReadOptions) -> LogBlocks: ...
    def __iter__(self) -> Iterator[Log]: ...
    def __next__(self) -> Log: ...

@final
class Reference:
    @property
    def train(self) -> str | None: ...
    @property
    def stage(self) -> str | None: ...
    @property
    def start(self) -> str | None: ...
    @property
    def end(self) -> str | None: ...
    @property
    def rows(self) -> int: ...
    @property
    def values(self) -> dict[str, float]: ...
    @property
    def units(self) -> dict[str, str]: ...

@final
class Baseline:
    @property
    def kind(self) -> str: ...
    @property
    def rule(self) -> str: ...
    @property
    def references(self) -> list[Reference]: ...
    def to_json(self) -> str: ...
    @staticmethod
    def from_json(text: str) -> Baseline: ...

@final
class Provenance:
    @property
    def column(self) -> str: ...
    @property
    def kind(self) -> str: ...
    @property
    def detail(self) -> str: ...

@final
class LimitCount:
    @property
    def column(self) -> str: ...
    @property
    def low(self) -> float | None: ...
    @property
    def high(self) -> float | None: ...
    @property
    def unit(self) -> str: ...
    @property
    def below(self) -> int: ...
    @property
    def above(self) -> int: ...
    @property
    def readings(self) -> int: ...

@final
class Result:
    @property
    def table(self) -> Table: ...
    @property
    def log(self) -> Log: ...
    @property
    def site(self) -> Site: ...
    @property
    def baseline(self) -> Baseline: ...
    @property
    def analyses(self) -> list[str]: ...
    @property
    def provenance(self) -> list[Provenance]: ...
    @property
    def reason_counts(self) -> dict[str, int]: ...
    @property
    def rows_used(self) -> int: ...
    @property
    def limits(self) -> list[LimitCount]: ...
    @property
    def method(self) -> dict[str, str]: ...
    @property
    def knows_errors(self) -> bool: ...
    @property
    def used(self) -> NDArray[np.bool_]: ...

@final
class Estimate:
    @property
    def value(self) -> float: ...
    @property
    def low(self) -> float: ...
    @property
    def high(self) -> float: ...
    @property
    def level(self) -> float: ...
    @property
    def unit(self) -> str: ...
    @property
    def n(self) -> int: ...
    @property
    def method(self) -> str: ...
    @property
    def budget(self) -> Budget | None: ...

@final
class Share:
    @property
    def source(self) -> str: ...
    @property
    def u(self) -> float: ...
    @property
    def share(self) -> float: ...

@final
class Budget:
    @property
    def output(self) -> str: ...
    @property
    def value(self) -> float: ...
    @property
    def u(self) -> float: ...
    @property
    def unit(self) -> str: ...
    @property
    def shares(self) -> list[Share]: ...
    @property
    def sentence(self) -> str: ...

@final
class Membrane:
    def __new__(
        cls,
        *,
        water_permeability: float,
        salt_permeability: float,
        spacer_friction: float = 1.0,
    ) -> Membrane: ...
    @property
    def water_permeability(self) -> float: ...
    @property
    def salt_permeability(self) -> float: ...
    @property
    def spacer_friction(self) -> float: ...

@final
class Standing:
    @property
    def train(self) -> str | None: ...
    @property
    def stage(self) -> str | None: ...
    @property
    def start(self) -> str: ...
    @property
    def end(self) -> str: ...
    @property
    def days(self) -> int: ...
    @property
    def recovery(self) -> float: ...
    @property
    def pass_recovery(self) -> float: ...
    @property
    def changes(self) -> dict[str, Estimate]: ...
    @property
    def sentence(self) -> str: ...

def read_files(
    paths: Sequence[_Path],
    options: ReadOptions,
    watch: Callable[[float], object] | None = None,
) -> Log: ...
def read_arrow(table: object, options: ReadOptions) -> Log: ...
def read_columns(given: Sequence[tuple[str, str, Any, str | None]], options: ReadOptions) -> Log: ...
def log_columns() -> list[tuple[str, str, str]]: ...
def requirements() -> dict[str, tuple[list[str], list[str]]]: ...
def find_baseline(log: Log, site: Site, analyses: Sequence[str]) -> Baseline: ...
def normalise(log: Log, site: Site, baseline: Baseline | None, analyses: Sequence[str]) -> Result: ...
def assess(result: Result, days: float, level: float) -> list[Standing]: ...
def convert(value: ArrayLike, from_unit: str, to_unit: str) -> _Figures: ...
def unit_words() -> list[tuple[str, str, str]]: ...
def viscosity(temperature_degc: ArrayLike) -> _Figures: ...
def density(temperature_degc: ArrayLike) -> _Figures: ...
def temperature_factor(
    temperature_degc: ArrayLike,
    *,
    law: str,
    base: float | None = None,
    constant_k: float | None = None,
    constant_below_25degc_k: float | None = None,
    table: Sequence[tuple[float, float]] | None = None,
) -> _Figures: ...
def osmotic_pressure(
    tds_mg_l: ArrayLike,
    temperature_degc: ArrayLike,
    *,
    basis: str,
    ions: dict[str, float] | None = None,
) -> _Figures: ...
def seawater_osmotic_pressure(salinity_g_kg: ArrayLike, temperature_degc: ArrayLike) -> _Figures: ...
def seawater_density(salinity_g_kg: ArrayLike, temperature_degc: ArrayLike) -> _Figures: ...
def sodium_chloride_molality(tds_mg_l: ArrayLike, temperature_degc: ArrayLike) -> _Figures: ...
def sodium_chloride_osmotic_coefficient(molality: ArrayLike, temperature_degc: ArrayLike) -> _Figures: ...
def osmotic_pressure_of_molality(molality: ArrayLike, temperature_degc: ArrayLike) -> _Figures: ...
def conductivity_at_25(
    conductivity_us_cm: ArrayLike,
    temperature_degc: ArrayLike,
    *,
    method: str,
    alpha_per_degc: float | None = None,
) -> _Figures: ...
def potassium_chloride_conductivity(molality: ArrayLike, temperature_degc: ArrayLike) -> _Figures: ...
def tds_from_conductivity(conductivity_us_cm: ArrayLike, *, basis: str) -> _Figures: ...
def conductivity_from_tds(tds_mg_l: ArrayLike, *, basis: str) -> _Figures: ...
def log_mean_factor(recovery: ArrayLike) -> _Figures: ...
def membrane_inlet_tds(
    *,
    feed_flow: ArrayLike,
    recycle_flow: ArrayLike,
    permeate_flow: ArrayLike,
    feed_tds: ArrayLike,
    permeate_tds: ArrayLike,
) -> _Figures: ...
def net_driving_pressure(
    *,
    feed_pressure_bar: ArrayLike,
    differential_pressure_bar: ArrayLike,
    permeate_pressure_bar: ArrayLike,
    mean_feed_osmotic_pressure_bar: ArrayLike,
    permeate_osmotic_pressure_bar: ArrayLike,
) -> _Figures: ...
def normalised_permeate_flow(
    permeate_flow_m3_h: ArrayLike,
    *,
    net_driving_pressure_bar: ArrayLike,
    temperature_factor: ArrayLike,
    reference_net_driving_pressure_bar: ArrayLike,
    reference_temperature_factor: ArrayLike,
) -> _Figures: ...
def normalised_salt_passage(
    salt_passage: ArrayLike,
    *,
    element_flow: ArrayLike,
    reference_element_flow: ArrayLike,
    salt_temperature_factor: ArrayLike,
    reference_salt_temperature_factor: ArrayLike,
    mean_feed_tds: ArrayLike,
    reference_mean_feed_tds: ArrayLike,
    feed_tds: ArrayLike,
    reference_feed_tds: ArrayLike,
) -> _Figures: ...
def normalised_differential_pressure(
    differential_pressure_bar: ArrayLike,
    *,
    mean_flow_m3_h: ArrayLike,
    reference_mean_flow_m3_h: ArrayLike,
    temperature_degc: ArrayLike,
    reference_temperature_degc: ArrayLike,
    flow_exponent: float = 1.7,
    viscosity_power: float = 0.3,
) -> _Figures: ...
def water_permeability(
    permeate_flow_m3_h: ArrayLike,
    *,
    area_m2: ArrayLike,
    net_driving_pressure_bar: ArrayLike,
    temperature_factor: ArrayLike,
) -> _Figures: ...
def salt_permeability(
    permeate_flow_m3_h: ArrayLike,
    *,
    permeate_tds_mg_l: ArrayLike,
    mean_feed_tds_mg_l: ArrayLike,
    area_m2: ArrayLike,
    salt_temperature_factor: ArrayLike,
) -> _Figures: ...
def rated_membrane(site: Site) -> Membrane: ...
def predict(
    site: Site,
    membrane: Membrane,
    *,
    feed_temperature_degc: ArrayLike,
    feed_tds_mg_l: ArrayLike,
    permeate_pressure_bar: ArrayLike,
    feed_pressure_bar: ArrayLike | None = None,
    permeate_flow_m3_h: ArrayLike | None = None,
    concentrate_flow_m3_h: ArrayLike | None = None,
    feed_flow_m3_h: ArrayLike | None = None,
    recovery: ArrayLike | None = None,
    recycle_flow_m3_h: ArrayLike | None = None,
    pressure_limit_bar: float | None = None,
    stage: int | None = None,
) -> dict[str, _Figures]: ...
def predict_elements(
    site: Site,
    membrane: Membrane,
    *,
    feed_temperature_degc: float,
    feed_tds_mg_l: float,
    permeate_pressure_bar: float,
    feed_pressure_bar: float,
    feed_flow_m3_h: float,
    recycle_flow_m3_h: float = 0.0,
    stage: int | None = None,
) -> dict[str, NDArray[np.float64]]: ...
def budget(result: Result, output: str, row: int) -> Budget: ...
def monte_carlo(
    result: Result, outputs: Sequence[str], draws: int, seed: int, level: float
) -> dict[str, dict[str, NDArray[np.float64]]]: ...
def instrument_classes() -> list[tuple[str, str, str, str, str]]: ...
