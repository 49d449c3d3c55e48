//! Figures from outside the project (`tests/published`), against the Rust functions.

use std::collections::BTreeMap;

use brinemark::change_points::{ChangePointSettings, Cost, Number, change_points};
use brinemark::compare::judge::{holm, welch};
use brinemark::compare::regression::{Noise, Readings, fit};
use brinemark::membrane::recycle;
use brinemark::normalise::temperature::{Law, LawSettings};
use brinemark::normalise::{
    SaltConditions, log_mean_factor, net_driving_pressure, normalised_permeate_flow,
    normalised_salt_passage,
};
use brinemark::sizing::{pump_power, two_per_cent_a_degf};
use brinemark::trend::cross_checks::{Correction, mann_kendall, theil_sen};
use brinemark::units::convert;
use brinemark::warranty::conformity::conformance_probability;
use brinemark::water::scaling::{Acid, SaltPassage, Water, acid_dose, saturation};
use brinemark::water::silt_density::silt_density_index;
use brinemark::water::{
    Basis, Compensation, SaltCurve, WaterAnalysis, density, osmotic,
    potassium_chloride_conductivity, seawater_density, seawater_osmotic_pressure, viscosity,
};
use serde::Deserialize;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Source {
    source: String,
    kind: String,
    #[serde(default)]
    note: String,
    /// Lists of figures that arguments name.
    #[serde(default)]
    series: BTreeMap<String, Vec<f64>>,
    check: Vec<Check>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Check {
    function: String,
    /// Which figure of what the function gives, where that is more than one.
    #[serde(default)]
    figure: String,
    arguments: BTreeMap<String, toml::Value>,
    expected: f64,
    unit: String,
    relative: Option<f64>,
    absolute: Option<f64>,
}

const KINDS: [&str; 5] = [
    "published",
    "reference library",
    "independent calculation",
    "common practice, no source",
    "from memory",
];

impl Check {
    fn number(&self, name: &str) -> f64 {
        self.optional(name)
            .unwrap_or_else(|| panic!("{}: no argument {name}", self.function))
    }

    fn optional(&self, name: &str) -> Option<f64> {
        self.arguments.get(name).map(|value| {
            value
                .as_float()
                .or_else(|| value.as_integer().map(|whole| whole as f64))
                .expect(name)
        })
    }

    fn word(&self, name: &str) -> &str {
        self.arguments[name].as_str().expect(name)
    }

    fn curve(&self) -> SaltCurve {
        SaltCurve::from_name(self.word("basis")).unwrap()
    }

    fn ions(&self) -> Option<WaterAnalysis> {
        let ions = self.arguments.get("ions")?.as_table().expect("ions");
        let figure = |name: &str| ions.get(name).map(|value| value.as_float().expect(name));
        Some(WaterAnalysis::from_figures(
            WaterAnalysis::NAMES.map(figure),
        ))
    }

    fn salt(&self, prefix: &str) -> SaltConditions {
        let number = |name: &str| self.number(&format!("{prefix}{name}"));
        SaltConditions {
            element_flow: number("element_flow"),
            salt_temperature_factor: number("salt_temperature_factor"),
            mean_feed_tds: number("mean_feed_tds"),
            feed_tds: number("feed_tds"),
        }
    }

    /// A figure of a saturation (`scales.N.activity_index`, `concentrate.ph` …) or of a dose of acid.
    fn of_scales(&self) -> Option<f64> {
        let given = self.arguments["water"].as_table().expect("a water");
        let number = |name: &str| given[name].as_float().expect(name);
        let named = |table: &toml::Table| -> Vec<(String, f64)> {
            let figure = |value: &toml::Value| value.as_float().expect("a figure");
            let entries = table.iter();
            entries
                .map(|(name, value)| (name.clone(), figure(value)))
                .collect()
        };
        let water = Water::new(
            number("temperature_degc"),
            number("ph"),
            number("alkalinity_mg_l"),
            given
                .get("tds_mg_l")
                .map_or(f64::NAN, |tds| tds.as_float().expect("tds_mg_l")),
            named(given["ions"].as_table().expect("ions")),
        )
        .unwrap();
        let passage = self.arguments.get("salt_passage").map(|passages| {
            SaltPassage::from_names(named(passages.as_table().expect("passages"))).unwrap()
        });
        let passage = passage.unwrap_or_else(|| SaltPassage::all(0.0));
        let recovery = self.number("recovery");
        let of_water = |water: &Water, figure: &str| match figure {
            "ph" => Some(water.ph),
            "alkalinity_mg_l" => Some(water.alkalinity),
            _ => {
                let name = figure.strip_prefix("ions.")?;
                let at = Water::IONS.iter().position(|known| *known == name)?;
                Some(water.ions[at])
            }
        };
        if self.function == "acid_dose" {
            let acid = Acid::parse(self.word("acid")).unwrap();
            let found = acid_dose(&water, recovery, &passage, self.number("limit"), acid).unwrap();
            return match self.figure.as_str() {
                "dose_mg_l" => Some(found.dose_mg_l),
                "dose_as_calcium_carbonate_mg_l" => Some(found.dose_as_calcium_carbonate_mg_l),
                figure => of_water(&found.water, figure.strip_prefix("water.")?),
            };
        }
        let found = saturation(&water, recovery, &passage).unwrap();
        if let Some(figure) = self.figure.strip_prefix("concentrate.") {
            return of_water(&found.concentrate, figure);
        }
        let (at, index) = self.figure.strip_prefix("scales.")?.split_once('.')?;
        let scale = &found.scales[at.parse::<usize>().ok()?];
        match index {
            "activity_index" => Some(scale.activity_index),
            "standard_index" => Some(scale.standard_index),
            _ => None,
        }
    }

    /// A figure of one of the statistics of series.
    fn of_series(&self, series: &BTreeMap<String, Vec<f64>>) -> Option<f64> {
        let list = |name: &str| series[self.word(name)].as_slice();
        let whole = |name: &str| self.optional(name).map(|figure| figure as usize);
        match self.function.as_str() {
            "mann_kendall" => {
                let correction = Correction::parse(self.word("correction")).unwrap();
                let found = mann_kendall(list("values"), correction, whole("lags")).unwrap();
                match self.figure.as_str() {
                    "s" => Some(found.s as f64),
                    "variance" => Some(found.variance),
                    "z" => Some(found.z),
                    "p" => Some(found.p),
                    _ => None,
                }
            }
            "theil_sen" => {
                let level = self.number("level");
                let found = theil_sen(list("times"), list("values"), level).unwrap();
                match self.figure.as_str() {
                    "slope.value" => Some(found.slope.value),
                    "slope.low" => Some(found.slope.low),
                    "slope.high" => Some(found.slope.high),
                    "intercept" => Some(found.intercept),
                    _ => None,
                }
            }
            "change_points" => {
                let noise = self.optional("noise").map(|noise| [noise]);
                let number = Number::from_settings(self.optional("penalty"), whole("changes"));
                let settings = ChangePointSettings {
                    cost: Cost::parse(self.word("cost")).unwrap(),
                    number: number.unwrap(),
                    min_size: self.number("min_size") as usize,
                    times: None,
                    noise: noise.as_ref().map(|noise| noise.as_slice()),
                };
                let found = change_points(&[list("values")], &settings).unwrap();
                match self.figure.as_str() {
                    "rows.length" => Some(found.rows.len() as f64),
                    "rows.0" => Some(found.rows[0] as f64),
                    "cost" => Some(found.cost),
                    _ => None,
                }
            }
            "contrast" => {
                let columns: Vec<&str> = self.arguments["columns"]
                    .as_array()
                    .expect("columns")
                    .iter()
                    .filter_map(|one| one.as_str())
                    .collect();
                let weights: Vec<f64> = self.arguments["weights"]
                    .as_array()
                    .expect("weights")
                    .iter()
                    .filter_map(|one| one.as_float())
                    .collect();
                let readings = Readings {
                    time: list("times").to_vec(),
                    value: list("values").to_vec(),
                    columns: columns.iter().map(|name| series[*name].clone()).collect(),
                    starts: vec![0],
                    beforehand: Vec::new(),
                };
                let independent = [Noise {
                    share: 0.0,
                    memory: 1.0,
                }];
                let found = fit(&readings, &[weights], Some(&independent)).unwrap();
                match self.figure.as_str() {
                    "deviation" => Some(found.deviation),
                    "freedom" => Some(found.freedom as f64),
                    "estimate.value" => Some(found.figures[0].mean()),
                    _ => None,
                }
            }
            "means_differ" => {
                let (margin, level) = (self.number("margin"), self.number("level"));
                let found = welch(list("first"), list("second")).unwrap();
                match self.figure.as_str() {
                    "p" => Some(found.p()),
                    "estimate.low" => Some(found.quantile(0.5 - 0.5 * level)),
                    "estimate.high" => Some(found.quantile(0.5 + 0.5 * level)),
                    "p_above_margin" => Some(1.0 - found.below(margin)),
                    "p_below_margin" => Some(found.below(-margin)),
                    _ => None,
                }
            }
            "holm" => self
                .figure
                .parse::<usize>()
                .ok()
                .map(|at| holm(list("p"))[at]),
            _ => None,
        }
    }

    fn found(&self) -> f64 {
        let n = |name| self.number(name);
        match self.function.as_str() {
            "convert" => convert(n("value"), self.word("from_unit"), self.word("to_unit")).unwrap(),
            "pump_power" => pump_power(
                n("flow_m3_h"),
                n("inlet_pressure_bar"),
                n("outlet_pressure_bar"),
                n("efficiency"),
            ),
            "rule_of_thumb" => two_per_cent_a_degf(n("temperature_degc")),
            "viscosity" => viscosity(n("temperature_degc")).unwrap(),
            "density" => density(n("temperature_degc")).unwrap(),
            "temperature_factor" => {
                let settings = LawSettings {
                    base: self.optional("base"),
                    constant_k: self.optional("constant_k"),
                    constant_below_25degc_k: self.optional("constant_below_25degc_k"),
                    table: None,
                };
                Law::from_settings(self.word("law"), settings)
                    .unwrap()
                    .factor(n("temperature_degc"))
                    .unwrap()
            }
            "osmotic_pressure" => Basis::from_settings(self.word("basis"), self.ions())
                .unwrap()
                .osmotic_pressure(n("tds_mg_l"), n("temperature_degc"))
                .unwrap(),
            "seawater_osmotic_pressure" => {
                seawater_osmotic_pressure(n("salinity_g_kg"), n("temperature_degc")).unwrap()
            }
            "seawater_density" => {
                seawater_density(n("salinity_g_kg"), n("temperature_degc")).unwrap()
            }
            "conductivity_at_25" => {
                Compensation::from_settings(self.word("method"), self.optional("alpha_per_degc"))
                    .unwrap()
                    .at_25(n("conductivity_us_cm"), n("temperature_degc"))
                    .unwrap()
            }
            "potassium_chloride_conductivity" => {
                potassium_chloride_conductivity(n("molality"), n("temperature_degc")).unwrap()
            }
            "tds_from_conductivity" => self.curve().tds(n("conductivity_us_cm")).unwrap(),
            "conductivity_from_tds" => self.curve().conductivity(n("tds_mg_l")).unwrap(),
            "osmotic_pressure_of_molality" => {
                osmotic::osmotic_pressure_of_molality(n("molality"), n("temperature_degc")).unwrap()
            }
            "sodium_chloride_osmotic_coefficient" => {
                osmotic::sodium_chloride_osmotic_coefficient(n("molality"), n("temperature_degc"))
                    .unwrap()
            }
            "log_mean_factor" => log_mean_factor(n("recovery")).unwrap(),
            "membrane_inlet_tds" => {
                recycle::inlet(
                    n("feed_flow"),
                    n("recycle_flow"),
                    n("permeate_flow"),
                    n("feed_tds"),
                    n("permeate_tds"),
                )
                .tds
            }
            "net_driving_pressure" => net_driving_pressure(
                n("feed_pressure_bar"),
                n("differential_pressure_bar"),
                n("permeate_pressure_bar"),
                n("mean_feed_osmotic_pressure_bar"),
                n("permeate_osmotic_pressure_bar"),
            ),
            "normalised_permeate_flow" => normalised_permeate_flow(
                n("permeate_flow_m3_h"),
                n("net_driving_pressure_bar"),
                n("temperature_factor"),
                n("reference_net_driving_pressure_bar"),
                n("reference_temperature_factor"),
            ),
            "normalised_salt_passage" => {
                normalised_salt_passage(n("salt_passage"), &self.salt(""), &self.salt("reference_"))
            }
            "conformance_probability" => conformance_probability(
                n("value"),
                n("u"),
                self.optional("low"),
                self.optional("high"),
            ),
            "silt_density_index" => {
                silt_density_index(n("first_s"), n("last_s"), n("minutes")).unwrap()
            }
            unknown => panic!("no function {unknown}"),
        }
    }
}

#[test]
fn every_figure_from_outside_is_met() {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/published");
    let mut checks = BTreeMap::<String, usize>::new();
    let mut missed = Vec::new();
    for entry in std::fs::read_dir(folder).expect(folder) {
        let path = entry.expect("an entry").path();
        if path.extension().is_none_or(|ending| ending != "toml") {
            continue;
        }
        let text = std::fs::read_to_string(&path).expect("a readable file");
        let file: Source =
            toml::from_str(&text).unwrap_or_else(|cause| panic!("{}: {cause}", path.display()));
        assert!(
            !file.source.is_empty() && KINDS.contains(&file.kind.as_str()),
            "{}: {}",
            path.display(),
            file.note
        );
        for check in &file.check {
            let found = match check.figure.as_str() {
                "" => check.found(),
                figure if ["saturation", "acid_dose"].contains(&check.function.as_str()) => check
                    .of_scales()
                    .unwrap_or_else(|| panic!("no {figure} of {}", check.function)),
                figure => check
                    .of_series(&file.series)
                    .unwrap_or_else(|| panic!("no {figure} of {}", check.function)),
            };
            let allowed = match (check.relative, check.absolute) {
                (Some(relative), None) => relative * check.expected.abs(),
                (None, Some(absolute)) => absolute,
                _ => panic!("{}: exactly one of relative and absolute", path.display()),
            };
            // Not within, so that NaN is a miss.
            if (found - check.expected).abs() > allowed || found.is_nan() {
                missed.push(format!(
                    "{}: {} {} {:?} is {found} {}, not {} ± {allowed}",
                    path.display(),
                    check.function,
                    check.figure,
                    check.arguments,
                    check.unit,
                    check.expected
                ));
            }
            *checks.entry(file.kind.clone()).or_default() += 1;
        }
    }
    println!("{checks:?}");
    assert!(checks.values().sum::<usize>() > 80, "{checks:?}");
    assert!(missed.is_empty(), "{}", missed.join("\n"));
}
