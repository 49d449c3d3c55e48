"""Like-for-like figures for reverse-osmosis units: what changed, and how sure that is.

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
        AcidDose as AcidDose,
    )
    from brinemark._core import (
        AnalysisError as AnalysisError,
    )
    from brinemark._core import (
        Baseline as Baseline,
    )
    from brinemark._core import (
        BaselineError as BaselineError,
    )
    from brinemark._core import (
        BrinemarkError as BrinemarkError,
    )
    from brinemark._core import (
        Budget as Budget,
    )
    from brinemark._core import (
        Change as Change,
    )
    from brinemark._core import (
        ChangePoints as ChangePoints,
    )
    from brinemark._core import (
        Check as Check,
    )
    from brinemark._core import (
        Checked as Checked,
    )
    from brinemark._core import (
        Clause as Clause,
    )
    from brinemark._core import (
        ColdFlow as ColdFlow,
    )
    from brinemark._core import (
        Completeness as Completeness,
    )
    from brinemark._core import (
        Date as Date,
    )
    from brinemark._core import (
        Description as Description,
    )
    from brinemark._core import (
        Diagnosis as Diagnosis,
    )
    from brinemark._core import (
        Due as Due,
    )
    from brinemark._core import (
        Estimate as Estimate,
    )
    from brinemark._core import (
        Event as Event,
    )
    from brinemark._core import (
        Fault as Fault,
    )
    from brinemark._core import (
        FileError as FileError,
    )
    from brinemark._core import (
        Forecast as Forecast,
    )
    from brinemark._core import (
        GuaranteeCourse as GuaranteeCourse,
    )
    from brinemark._core import (
        Judgement as Judgement,
    )
    from brinemark._core import (
        LimitCount as LimitCount,
    )
    from brinemark._core import (
        LogError as LogError,
    )
    from brinemark._core import (
        MannKendall as MannKendall,
    )
    from brinemark._core import (
        Membrane as Membrane,
    )
    from brinemark._core import (
        MeterCheck as MeterCheck,
    )
    from brinemark._core import (
        MethodError as MethodError,
    )
    from brinemark._core import (
        MissingColumnError as MissingColumnError,
    )
    from brinemark._core import (
        Plan as Plan,
    )
    from brinemark._core import (
        Proposal as Proposal,
    )
    from brinemark._core import (
        Provenance as Provenance,
    )
    from brinemark._core import (
        QuantityTrend as QuantityTrend,
    )
    from brinemark._core import (
        RangeError as RangeError,
    )
    from brinemark._core import (
        Ranked as Ranked,
    )
    from brinemark._core import (
        RecoveryLimit as RecoveryLimit,
    )
    from brinemark._core import (
        RecoveryLimits as RecoveryLimits,
    )
    from brinemark._core import (
        Reference as Reference,
    )
    from brinemark._core import (
        Requirement as Requirement,
    )
    from brinemark._core import (
        Run as Run,
    )
    from brinemark._core import (
        Saturation as Saturation,
    )
    from brinemark._core import (
        ScaleIndex as ScaleIndex,
    )
    from brinemark._core import (
        SeriesError as SeriesError,
    )
    from brinemark._core import (
        Share as Share,
    )
    from brinemark._core import (
        Site as Site,
    )
    from brinemark._core import (
        SiteColumn as SiteColumn,
    )
    from brinemark._core import (
        SiteError as SiteError,
    )
    from brinemark._core import (
        Standing as Standing,
    )
    from brinemark._core import (
        Terms as Terms,
    )
    from brinemark._core import (
        TermsError as TermsError,
    )
    from brinemark._core import (
        TestCount as TestCount,
    )
    from brinemark._core import (
        TheilSen as TheilSen,
    )
    from brinemark._core import (
        TimeColumn as TimeColumn,
    )
    from brinemark._core import (
        Tracker as Tracker,
    )
    from brinemark._core import (
        Trend as Trend,
    )
    from brinemark._core import (
        UnitError as UnitError,
    )
    from brinemark._core import (
        Usual as Usual,
    )
    from brinemark._core import (
        Verdict as Verdict,
    )
    from brinemark._core import (
        Water as Water,
    )
    from brinemark._core import (
        YearOnYear as YearOnYear,
    )
    from brinemark._core import (
        __version__ as __version__,
    )
    from brinemark._core import (
        acid_dose as acid_dose,
    )
    from brinemark._core import (
        cause_patterns as cause_patterns,
    )
    from brinemark._core import (
        check_meter as check_meter,
    )
    from brinemark._core import (
        conductivity_at_25 as conductivity_at_25,
    )
    from brinemark._core import (
        conductivity_from_tds as conductivity_from_tds,
    )
    from brinemark._core import (
        conformance_probability as conformance_probability,
    )
    from brinemark._core import (
        convert as convert,
    )
    from brinemark._core import (
        density as density,
    )
    from brinemark._core import (
        due as due,
    )
    from brinemark._core import (
        instrument_classes as instrument_classes,
    )
    from brinemark._core import (
        log_columns as log_columns,
    )
    from brinemark._core import (
        log_mean_factor as log_mean_factor,
    )
    from brinemark._core import (
        membrane_inlet_tds as membrane_inlet_tds,
    )
    from brinemark._core import (
        net_driving_pressure as net_driving_pressure,
    )
    from brinemark._core import (
        normalised_differential_pressure as normalised_differential_pressure,
    )
    from brinemark._core import (
        normalised_permeate_flow as normalised_permeate_flow,
    )
    from brinemark._core import (
        normalised_salt_passage as normalised_salt_passage,
    )
    from brinemark._core import (
        osmotic_pressure as osmotic_pressure,
    )
    from brinemark._core import (
        osmotic_pressure_of_molality as osmotic_pressure_of_molality,
    )
    from brinemark._core import (
        potassium_chloride_conductivity as potassium_chloride_conductivity,
    )
    from brinemark._core import (
        predict as predict,
    )
    from brinemark._core import (
        predict_elements as predict_elements,
    )
    from brinemark._core import (
        rated_membrane as rated_membrane,
    )
    from brinemark._core import (
        record_requirements as record_requirements,
    )
    from brinemark._core import (
        recovery_limits as recovery_limits,
    )
    from brinemark._core import (
        requirements as requirements,
    )
    from brinemark._core import (
        salt_permeability as salt_permeability,
    )
    from brinemark._core import (
        saturation as saturation,
    )
    from brinemark._core import (
        screen_tests as screen_tests,
    )
    from brinemark._core import (
        seawater_density as seawater_density,
    )
    from brinemark._core import (
        seawater_osmotic_pressure as seawater_osmotic_pressure,
    )
    from brinemark._core import (
        silt_density_index as silt_density_index,
    )
    from brinemark._core import (
        site_columns as site_columns,
    )
    from brinemark._core import (
        smooth_local_trend as smooth_local_trend,
    )
    from brinemark._core import (
        sodium_chloride_molality as sodium_chloride_molality,
    )
    from brinemark._core import (
        sodium_chloride_osmotic_coefficient as sodium_chloride_osmotic_coefficient,
    )
    from brinemark._core import (
        tds_from_conductivity as tds_from_conductivity,
    )
    from brinemark._core import (
        temperature_factor as temperature_factor,
    )
    from brinemark._core import (
        unit_words as unit_words,
    )
    from brinemark._core import (
        viscosity as viscosity,
    )
    from brinemark._core import (
        water_permeability as water_permeability,
    )
    from brinemark.contracts import warranty as warranty
    from brinemark.contrasts import (
        Contrast as Contrast,
    )
    from brinemark.contrasts import (
        MeansDiffer as MeansDiffer,
    )
    from brinemark.contrasts import (
        block_bootstrap as block_bootstrap,
    )
    from brinemark.contrasts import (
        block_length as block_length,
    )
    from brinemark.contrasts import (
        contrast as contrast,
    )
    from brinemark.contrasts import (
        holm as holm,
    )
    from brinemark.contrasts import (
        means_differ as means_differ,
    )
    from brinemark.dossier import (
        Beside as Beside,
    )
    from brinemark.dossier import (
        Difference as Difference,
    )
    from brinemark.dossier import (
        Dossier as Dossier,
    )
    from brinemark.dossier import (
        Verification as Verification,
    )
    from brinemark.dossier import (
        guarantee_courses as guarantee_courses,
    )
    from brinemark.frames import (
        ANALYSES as ANALYSES,
    )
    from brinemark.frames import (
        Log as Log,
    )
    from brinemark.frames import (
        Result as Result,
    )
    from brinemark.frames import (
        Table as Table,
    )
    from brinemark.frames import (
        assess as assess,
    )
    from brinemark.frames import (
        baseline as baseline,
    )
    from brinemark.frames import (
        budget as budget,
    )
    from brinemark.frames import (
        monte_carlo as monte_carlo,
    )
    from brinemark.frames import (
        normalise as normalise,
    )
    from brinemark.page import Report as Report
    from brinemark.page import report as report
    from brinemark.reading import (
        describe as describe,
    )
    from brinemark.reading import (
        read_log as read_log,
    )
    from brinemark.reading import (
        scan_log as scan_log,
    )
    from brinemark.records import completeness as completeness
    from brinemark.screening import (
        Averaged as Averaged,
    )
    from brinemark.screening import (
        Screening as Screening,
    )
    from brinemark.screening import (
        average as average,
    )
    from brinemark.screening import (
        screen as screen,
    )
    from brinemark.screening import (
        screen_blocks as screen_blocks,
    )
    from brinemark.series import (
        change_points as change_points,
    )
    from brinemark.series import (
        mann_kendall as mann_kendall,
    )
    from brinemark.series import (
        theil_sen as theil_sen,
    )
    from brinemark.series import (
        year_on_year as year_on_year,
    )
    from brinemark.trends import (
        TRIGGERS as TRIGGERS,
    )
    from brinemark.trends import (
        Prices as Prices,
    )
    from brinemark.trends import (
        check as check,
    )
    from brinemark.trends import (
        diagnose as diagnose,
    )
    from brinemark.trends import (
        forecast as forecast,
    )
    from brinemark.trends import (
        trend as trend,
    )
    from brinemark.trials import (
        MEASURES as MEASURES,
    )
    from brinemark.trials import (
        Arm as Arm,
    )
    from brinemark.trials import (
        ArmCourse as ArmCourse,
    )
    from brinemark.trials import (
        Comparison as Comparison,
    )
    from brinemark.trials import (
        Effect as Effect,
    )
    from brinemark.trials import (
        Overlap as Overlap,
    )
    from brinemark.trials import (
        PlaceboRun as PlaceboRun,
    )
    from brinemark.trials import (
        PowerCurve as PowerCurve,
    )
    from brinemark.trials import (
        TrialPlan as TrialPlan,
    )
    from brinemark.trials import (
        TrialPrices as TrialPrices,
    )
    from brinemark.trials import (
        compare as compare,
    )
    from brinemark.trials import (
        plan_trial as plan_trial,
    )
    from brinemark.trials import (
        trial_power as trial_power,
    )
    from brinemark.visit import Sheet as Sheet
    from brinemark.visit import sheet as sheet

_HOMES = {
    "brinemark._core": (
        "AcidDose",
        "AnalysisError",
        "Baseline",
        "BaselineError",
        "BrinemarkError",
        "Budget",
        "Change",
        "ChangePoints",
        "Check",
        "Checked",
        "Clause",
        "ColdFlow",
        "Completeness",
        "Date",
        "Description",
        "Diagnosis",
        "Due",
        "Estimate",
        "Event",
        "Fault",
        "FileError",
        "Forecast",
        "GuaranteeCourse",
        "Judgement",
        "LimitCount",
        "LogError",
        "MannKendall",
        "Membrane",
        "MeterCheck",
        "MethodError",
        "MissingColumnError",
        "Plan",
        "Proposal",
        "Provenance",
        "QuantityTrend",
        "RangeError",
        "Ranked",
        "RecoveryLimit",
        "RecoveryLimits",
        "Reference",
        "Requirement",
        "Run",
        "Saturation",
        "ScaleIndex",
        "SeriesError",
        "Share",
        "Site",
        "SiteColumn",
        "SiteError",
        "Standing",
        "Terms",
        "TermsError",
        "TestCount",
        "TheilSen",
        "TimeColumn",
        "Tracker",
        "Trend",
        "UnitError",
        "Usual",
        "Verdict",
        "Water",
        "YearOnYear",
        "__version__",
        "acid_dose",
        "cause_patterns",
        "check_meter",
        "conductivity_at_25",
        "conductivity_from_tds",
        "conformance_probability",
        "convert",
        "density",
        "due",
        "instrument_classes",
        "log_columns",
        "log_mean_factor",
        "membrane_inlet_tds",
        "net_driving_pressure",
        "normalised_differential_pressure",
        "normalised_permeate_flow",
        "normalised_salt_passage",
        "osmotic_pressure",
        "osmotic_pressure_of_molality",
        "potassium_chloride_conductivity",
        "predict",
        "predict_elements",
        "rated_membrane",
        "record_requirements",
        "recovery_limits",
        "requirements",
        "salt_permeability",
        "saturation",
        "screen_tests",
        "seawater_density",
        "seawater_osmotic_pressure",
        "silt_density_index",
        "site_columns",
        "smooth_local_trend",
        "sodium_chloride_molality",
        "sodium_chloride_osmotic_coefficient",
        "tds_from_conductivity",
        "temperature_factor",
        "unit_words",
        "viscosity",
        "water_permeability",
    ),
    "brinemark.contracts": ("warranty",),
    "brinemark.dossier": ("Beside", "Difference", "Dossier", "Verification", "guarantee_courses"),
    "brinemark.frames": (
        "ANALYSES",
        "Log",
        "Result",
        "Table",
        "assess",
        "baseline",
        "budget",
        "monte_carlo",
        "normalise",
    ),
    "brinemark.reading": ("describe", "read_log", "scan_log"),
    "brinemark.page": ("Report", "report"),
    "brinemark.screening": ("Averaged", "Screening", "average", "screen", "screen_blocks"),
    "brinemark.records": ("completeness",),
    "brinemark.trends": ("TRIGGERS", "Prices", "check", "diagnose", "forecast", "trend"),
    "brinemark.contrasts": (
        "Contrast",
        "MeansDiffer",
        "block_bootstrap",
        "block_length",
        "contrast",
        "holm",
        "means_differ",
    ),
    "brinemark.series": ("change_points", "mann_kendall", "theil_sen", "year_on_year"),
    "brinemark.trials": (
        "MEASURES",
        "Arm",
        "ArmCourse",
        "Comparison",
        "Effect",
        "Overlap",
        "PlaceboRun",
        "PowerCurve",
        "TrialPlan",
        "TrialPrices",
        "compare",
        "plan_trial",
        "trial_power",
    ),
    "brinemark.visit": ("Sheet", "sheet"),
}
_HOME_OF = {name: home for home, names in _HOMES.items() for name in names}

__all__ = sorted([*_HOME_OF, "demo", "plot"])


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
    return __all__
