//! The site file, key by key.

use toml::{Table, Value};

use super::entries::{assume, events, instant, instruments, limits};
use super::screen::screen_settings;
use super::service::services;
use super::wanted::{element_limits, recycle_feed_tds, wanted};
use super::water::{scaling, water};
use super::{
    BaselineRule, ConductivityRule, Design, Element, NormaliseSettings, ReferenceRule, Salinity,
    Site, Stage, TdsPerConductivity,
};
use crate::error::{Error, Fault, Faults};
use crate::keys::{self, Keys, as_number, quantity_of, wrong};
use crate::membrane::channel;
use crate::normalise::temperature::{Law, LawSettings};
use crate::units::Quantity;
use crate::water::{Basis, SaltCurve, WaterAnalysis};

// Wide physical bounds: they catch a wrong unit or a slip of the pen, not an unusual plant.
pub(super) const ANY: (f64, f64) = (f64::MIN, f64::MAX);
const AREA_M2: (f64, f64) = (1e-4, 1000.0);
pub(super) const FLOW_M3_H: (f64, f64) = (1e-9, 1e6);
pub(super) const PRESSURE_BAR: (f64, f64) = (-1.0, 200.0);
pub(super) const TEMPERATURE_DEGC: (f64, f64) = (0.0, 100.0);
pub(super) const TDS_MG_L: (f64, f64) = (0.0, 400_000.0);
const RATIO: (f64, f64) = (1e-9, 1.0);
pub(super) const SHARE: (f64, f64) = (0.0, 0.5);
pub(super) const SHARE_OF_ONE: (f64, f64) = (0.0, 1.0);
pub(super) const HOURS: (f64, f64) = (0.0, 1e6);

pub(super) fn site(text: &str) -> Result<Site, Error> {
    let document =
        keys::document(text, "a site file").map_err(|fault| Error::Site(fault.into()))?;
    let mut faults = Faults::default();
    let faults_now = &mut faults;
    let mut file = Keys::new("the file:", Some(&document));

    let mut keys = Keys::new("[site]", file.table("site", faults_now));
    let name = keys.text("name", faults_now);
    let name = keys.need("name", name, "\"Example unit\"", faults_now);
    let notes = keys.text("notes", faults_now);
    keys.close(faults_now);

    let element = element(file.table("element", faults_now), faults_now);
    let stages = stages(&mut file, faults_now);

    let recycle_table = file.table("recycle", faults_now);
    let mut keys = Keys::new("[recycle]", recycle_table);
    let returns_to = keys.choice("returns_to", &[("feed", true)], faults_now);
    let recycle_feed_tds = recycle_feed_tds(&mut keys, faults_now);
    if recycle_table.is_some() {
        keys.need("returns_to", returns_to, "\"feed\"", faults_now);
    }
    keys.close(faults_now);

    let temperature_table = file.table("temperature", faults_now);
    let mut keys = Keys::new("[temperature]", temperature_table);
    let salt_table = keys.table("salt", faults_now);
    let (temperature, temperature_accuracy_k) = law(keys, faults_now);
    let (salt_temperature, salt_temperature_accuracy_k) = match salt_table {
        Some(table) => law(Keys::new("[temperature.salt]", Some(table)), faults_now),
        None => (None, None),
    };

    let salinity = salinity(file.table("salinity", faults_now), faults_now);
    let basis = salinity.as_ref().map(|salinity| salinity.basis);
    let reference = reference(file.table("reference", faults_now), basis, faults_now);
    let normalise = normalise_settings(file.table("normalise", faults_now), faults_now);
    let assume = assume(file.table("assume", faults_now), faults_now);
    let instruments = instruments(file.table("instruments", faults_now), faults_now);
    let water = water(file.table("water", faults_now), faults_now);
    let scaling = scaling(file.table("scaling", faults_now), faults_now);
    let wanted = wanted(file.table("settings", faults_now), faults_now);
    let limits = limits(file.table("limits", faults_now), faults_now);
    let events = events(file.tables("event", faults_now), faults_now);
    let screen = screen_settings(file.table("screen", faults_now), faults_now);
    let service = services(file.tables("service", faults_now), &instruments, faults_now);
    file.close(faults_now);

    faults.into_result(Error::Site)?;
    match (name, element, temperature, salinity, reference) {
        (Some(name), Some(element), Some(temperature), Some(salinity), Some(reference)) => {
            Ok(Site {
                name,
                notes,
                element,
                stages,
                recycle: recycle_table.is_some(),
                recycle_feed_tds,
                wanted,
                temperature,
                temperature_accuracy_k,
                salt_temperature,
                salt_temperature_accuracy_k,
                salinity,
                water,
                scaling,
                reference,
                normalise,
                assume,
                instruments,
                limits,
                events,
                screen,
                service,
                text: text.to_owned(),
            })
        }
        // Each of these is missing only with a fault of its own.
        _ => Err(Error::Site(
            Fault::new("incomplete", "see the template").into(),
        )),
    }
}

fn element(table: Option<&Table>, faults: &mut Faults) -> Option<Element> {
    let mut keys = Keys::new("[element]", table);
    let area = keys.quantity("area", Quantity::Area, AREA_M2, faults);
    let area = keys.need("area", area, "\"37.2 m2\"", faults);
    let element = Element {
        name: keys.text("name", faults),
        area_m2: area.unwrap_or(f64::NAN),
        length_m: keys.quantity("length", Quantity::Length, channel::LENGTH_M, faults),
        feed_spacer_thickness_m: keys.quantity(
            "feed_spacer_thickness",
            Quantity::Length,
            channel::SPACER_THICKNESS_M,
            faults,
        ),
        rated_permeate_flow_m3_h: keys.quantity(
            "rated_permeate_flow",
            Quantity::Flow,
            FLOW_M3_H,
            faults,
        ),
        rated_permeate_flow_tolerance: keys.quantity(
            "rated_permeate_flow_tolerance",
            Quantity::Fraction,
            SHARE,
            faults,
        ),
        rated_rejection: keys.quantity("rated_rejection", Quantity::Fraction, RATIO, faults),
        rated_rejection_minimum: keys.quantity(
            "rated_rejection_minimum",
            Quantity::Fraction,
            RATIO,
            faults,
        ),
        test_pressure_bar: keys.quantity("test_pressure", Quantity::Pressure, PRESSURE_BAR, faults),
        test_temperature_degc: keys.quantity(
            "test_temperature",
            Quantity::Temperature,
            TEMPERATURE_DEGC,
            faults,
        ),
        test_feed_tds_mg_l: keys.quantity(
            "test_feed_tds",
            Quantity::Concentration,
            TDS_MG_L,
            faults,
        ),
        test_recovery: keys.quantity("test_recovery", Quantity::Fraction, RATIO, faults),
        limits: element_limits(keys.table("limits", faults), faults),
    };
    keys.close(faults);
    area.map(|_| element)
}

fn stages(file: &mut Keys<'_>, faults: &mut Faults) -> Vec<Stage> {
    let given = file.given("stage");
    let tables = file.tables("stage", faults);
    if tables.is_empty() && !given {
        faults.push(
            Fault::new(
                "missing",
                "add [[stage]] with vessels = 2 and elements_per_vessel = 3",
            )
            .at_column("[[stage]]"),
        );
    }
    let mut stages = Vec::new();
    let mut elements_of_all = 0;
    for (at, table) in tables.into_iter().enumerate() {
        let mut keys = Keys::new(format!("[[stage]] {}:", at + 1), Some(table));
        let vessels = keys.count("vessels", faults);
        let vessels = keys.need("vessels", vessels, "2", faults);
        let elements = keys.count("elements_per_vessel", faults);
        let elements = keys.need("elements_per_vessel", elements, "3", faults);
        keys.close(faults);
        if let (Some(vessels), Some(elements_per_vessel)) = (vessels, elements) {
            elements_of_all += u64::from(vessels) * u64::from(elements_per_vessel);
            if elements_of_all > 10_000_000 {
                faults.push(
                    Fault::new("more than ten million elements", "check the counts")
                        .at_column(format!("[[stage]] {}:", at + 1)),
                );
            } else {
                stages.push(Stage {
                    vessels,
                    elements_per_vessel,
                });
            }
        }
    }
    stages
}

/// A law, and how far its constant may be off.
pub(crate) fn law(mut keys: Keys<'_>, faults: &mut Faults) -> (Option<Law>, Option<f64>) {
    const ACCURACY_K: (f64, f64) = (0.0, 2000.0);
    let accuracy = keys.quantity("accuracy", Quantity::Kelvin, ACCURACY_K, faults);
    let before = faults.total();
    let law = keys.text("law", faults);
    let law = keys.need(
        "law",
        law,
        "\"standard-practice\" (or \"arrhenius\", \"viscosity\", \"table\")",
        faults,
    );
    let place = keys.at("table");
    let settings = LawSettings {
        base: keys.number("base", ANY, faults),
        constant_k: keys.quantity("constant", Quantity::Kelvin, ANY, faults),
        constant_below_25degc_k: keys.quantity(
            "constant_below_25degC",
            Quantity::Kelvin,
            ANY,
            faults,
        ),
        table: keys
            .value("table")
            .and_then(|value| points_of(value, &place, faults)),
    };
    let Some(name) = law else {
        keys.close(faults);
        return (None, accuracy);
    };
    // A setting that could not be read is not one that is missing.
    let law = if faults.total() == before {
        Law::from_settings(&name, settings)
            .map_err(|fault| {
                let key = fault.column.clone().unwrap_or_default();
                faults.push(fault.at_column(keys.at(&key)));
            })
            .ok()
    } else {
        None
    };
    keys.close(faults);
    (law, accuracy)
}

fn points_of(value: &Value, place: &str, faults: &mut Faults) -> Option<Vec<(f64, f64)>> {
    let right = "a list of pairs: [[\"5 degC\", 0.52], [\"25 degC\", 1.0]]";
    let Some(rows) = value.as_array() else {
        faults.push(wrong(place, value, right));
        return None;
    };
    let mut points = Vec::new();
    for row in rows {
        match row.as_array().map(Vec::as_slice) {
            Some([temperature, factor]) if as_number(factor).is_some() => {
                let temperature = quantity_of(
                    temperature,
                    place,
                    Quantity::Temperature,
                    TEMPERATURE_DEGC,
                    faults,
                )?;
                points.push((temperature.0, as_number(factor)?));
            }
            _ => {
                faults.push(wrong(place, row, right));
                return None;
            }
        }
    }
    Some(points)
}

fn salinity(table: Option<&Table>, faults: &mut Faults) -> Option<Salinity> {
    let mut keys = Keys::new("[salinity]", table);
    let name = keys.text("basis", faults);
    let name = keys.need(
        "basis",
        name,
        "\"sodium-chloride\" (or \"seawater\", \"ions\", \"tds-rule\")",
        faults,
    );
    let osmotic_accuracy = keys.quantity("osmotic_accuracy", Quantity::Fraction, SHARE, faults);
    let before = faults.total();
    let ions = keys
        .table("ions", faults)
        .map(|table| analysis(table, faults));
    // A figure that could not be read is not one that is missing.
    let basis = name.filter(|_| faults.total() == before).and_then(|name| {
        Basis::from_settings(&name, ions)
            .map_err(|fault| {
                let key = fault.column.clone().unwrap_or_default();
                faults.push(fault.at_column(keys.at(&key)));
            })
            .ok()
    });
    let factors = keys.table("tds_per_conductivity", faults);
    keys.close(faults);
    let tds_per_conductivity = tds_per_conductivity(
        Keys::new("[salinity.tds_per_conductivity]", factors),
        faults,
    );
    basis.map(|basis| Salinity {
        basis,
        osmotic_accuracy,
        tds_per_conductivity,
    })
}

/// How conductivity tells mg/L, a stream each.
pub(crate) fn tds_per_conductivity(mut keys: Keys<'_>, faults: &mut Faults) -> TdsPerConductivity {
    const TDS_PER_CONDUCTIVITY: (f64, f64) = (0.2, 1.5);
    let mut rule = |stream: &'static str, faults: &mut Faults| {
        if keys.is_text(stream) {
            let curve = keys.choice(stream, &SaltCurve::NAMES, faults);
            return curve.map(ConductivityRule::Curve);
        }
        let factor = keys.number(stream, TDS_PER_CONDUCTIVITY, faults);
        factor.map(ConductivityRule::Factor)
    };
    let found = TdsPerConductivity {
        feed: rule("feed", faults),
        permeate: rule("permeate", faults),
        concentrate: rule("concentrate", faults),
        accuracy: keys.quantity("accuracy", Quantity::Fraction, SHARE, faults),
    };
    keys.close(faults);
    found
}

fn analysis(table: &Table, faults: &mut Faults) -> WaterAnalysis {
    let mut keys = Keys::new("[salinity.ions]", Some(table));
    let figures = WaterAnalysis::NAMES
        .map(|name| keys.quantity(name, Quantity::Concentration, TDS_MG_L, faults));
    keys.close(faults);
    WaterAnalysis::from_figures(figures)
}

fn reference(
    table: Option<&Table>,
    basis: Option<Basis>,
    faults: &mut Faults,
) -> Option<ReferenceRule> {
    let mut keys = Keys::new("[reference]", table);
    let design = keys.choice("kind", &[("baseline", false), ("design", true)], faults);
    let design = keys.need("kind", design, "\"baseline\" (or \"design\")", faults);
    match design {
        Some(true) => design_reference(keys, basis, faults).map(ReferenceRule::Design),
        Some(false) => {
            let place = keys.at("start");
            let start = keys
                .value("start")
                .and_then(|value| instant(value, &place, faults));
            let rule = BaselineRule {
                start_us: start,
                stabilise_h: keys
                    .quantity("stabilise", Quantity::Duration, HOURS, faults)
                    .unwrap_or(48.0),
                period_h: keys
                    .quantity("period", Quantity::Duration, HOURS, faults)
                    .unwrap_or(14.0 * 24.0),
                minimum_readings: keys.count("minimum_readings", faults).unwrap_or(5),
            };
            keys.close(faults);
            Some(ReferenceRule::Baseline(rule))
        }
        None => None,
    }
}

fn design_reference(
    mut keys: Keys<'_>,
    basis: Option<Basis>,
    faults: &mut Faults,
) -> Option<Design> {
    // Where the basis itself is at fault, that is what will be said.
    let temperature_range = basis.map_or(TEMPERATURE_DEGC, Basis::temperature_range_degc);
    let tds_range = basis.map_or(TDS_MG_L, Basis::tds_range_mg_l);
    let mut need = |key: &'static str, quantity, range, example: &str, faults: &mut Faults| {
        let value = keys.quantity(key, quantity, range, faults);
        keys.need(key, value, example, faults)
    };
    let permeate_flow = need(
        "permeate_flow",
        Quantity::Flow,
        FLOW_M3_H,
        "\"4.6 m3/h\"",
        faults,
    );
    let feed_temperature = need(
        "feed_temperature",
        Quantity::Temperature,
        temperature_range,
        "\"25 degC\"",
        faults,
    );
    let feed_pressure = need(
        "feed_pressure",
        Quantity::Pressure,
        PRESSURE_BAR,
        "\"12 bar\"",
        faults,
    );
    let differential_pressure = need(
        "differential_pressure",
        Quantity::Pressure,
        PRESSURE_BAR,
        "\"0.8 bar\"",
        faults,
    );
    let permeate_pressure = need(
        "permeate_pressure",
        Quantity::Pressure,
        PRESSURE_BAR,
        "\"0.3 bar\"",
        faults,
    );
    let feed_tds = need(
        "feed_tds",
        Quantity::Concentration,
        tds_range,
        "\"900 mg/L\"",
        faults,
    );
    let permeate_tds = need(
        "permeate_tds",
        Quantity::Concentration,
        tds_range,
        "\"12 mg/L\"",
        faults,
    );
    let recovery = need(
        "recovery",
        Quantity::Fraction,
        (1e-9, 0.99),
        "\"75 %\"",
        faults,
    );
    let recycle_flow = keys.quantity("recycle_flow", Quantity::Flow, (0.0, FLOW_M3_H.1), faults);
    keys.close(faults);
    Some(Design {
        permeate_flow: permeate_flow?,
        feed_temperature: feed_temperature?,
        feed_pressure: feed_pressure?,
        differential_pressure: differential_pressure?,
        permeate_pressure: permeate_pressure?,
        feed_tds: feed_tds?,
        permeate_tds: permeate_tds?,
        recovery: recovery?,
        recycle_flow: recycle_flow.unwrap_or(0.0),
    })
}

fn normalise_settings(table: Option<&Table>, faults: &mut Faults) -> NormaliseSettings {
    let default = NormaliseSettings::default();
    let mut keys = Keys::new("[normalise]", table);
    let settings = NormaliseSettings {
        stages_together: keys
            .flag("stages_together", faults)
            .unwrap_or(default.stages_together),
        differential_pressure_flow_exponent: keys
            .number("differential_pressure_flow_exponent", (0.5, 2.5), faults)
            .unwrap_or(default.differential_pressure_flow_exponent),
        differential_pressure_viscosity_power: keys
            .number("differential_pressure_viscosity_power", (0.0, 1.0), faults)
            .unwrap_or(default.differential_pressure_viscosity_power),
    };
    keys.close(faults);
    settings
}
