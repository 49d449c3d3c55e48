//! The feed's analysis, and how far its scales may go.

use serde::Serialize;
use toml::{Table, Value};

use super::Site;
use super::read::{SHARE_OF_ONE, TDS_MG_L};
use crate::error::{Error, Fault, Faults};
use crate::keys::{Keys, as_number, quantity_of, wrong};
use crate::units::Quantity;
use crate::water::scaling::{
    Acid, Limits, Method, RecoveryLimits, SaltPassage, Scale, Water, recovery_limits,
};

/// mg of calcium in a mg of hardness as calcium carbonate (weights of IUPAC, from memory).
const CALCIUM_PER_HARDNESS: f64 = 40.078 / 100.086;
const PH: (f64, f64) = (4.0, 10.0);
/// By which share a day's salt may leave the analysis' before all contents are scaled to it.
const SAME_SALT: f64 = 1e-6;

/// The analysis of the feed, as the site file tells it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SiteWater {
    /// At the temperature of the sample, 25 degC where that is not told.
    pub analysis: Water,
    /// What of it was taken rather than analysed.
    pub taken: Vec<String>,
}

/// How far scales may go, and what is done against them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Scaling {
    /// The saturation each may reach.
    pub limits: Limits,
    /// Which index is held to them.
    pub method: Method,
    /// The share of hardness that a softener takes.
    pub softened: Option<f64>,
    /// The acid dosed, and how much, mg/L of feed.
    pub acid: Option<(Acid, f64)>,
    /// What of each ion passes the membranes.
    pub passage: SaltPassage,
    /// What the antiscalant is, in the users' words.
    pub antiscalant: Option<String>,
}

impl Default for Scaling {
    fn default() -> Self {
        Self {
            limits: Limits::untreated(),
            method: Method::Standard,
            softened: None,
            acid: None,
            passage: SaltPassage::all(0.0),
            antiscalant: None,
        }
    }
}

pub(super) fn water(table: Option<&Table>, faults: &mut Faults) -> Option<SiteWater> {
    let table = table?;
    let before = faults.total();
    let mut keys = Keys::new("[water]", Some(table));
    let ph = keys.number("ph", PH, faults);
    let ph = keys.need("ph", ph, "7.4", faults);
    let mut content = |keys: &mut Keys<'_>, key: &'static str| {
        keys.quantity(key, Quantity::Concentration, TDS_MG_L, faults)
    };
    let mut alkalinity = content(&mut keys, "alkalinity");
    let hardness = content(&mut keys, "hardness");
    let tds = content(&mut keys, "tds");
    let mut ions: Vec<(String, f64)> = Vec::new();
    for name in Water::IONS {
        if let Some(figure) = content(&mut keys, name) {
            ions.push((name.to_owned(), figure));
        }
    }
    let temperature = keys
        .quantity("temperature", Quantity::Temperature, (0.0, 50.0), faults)
        .unwrap_or(25.0);
    let mut taken = Vec::new();
    if let Some(hardness) = hardness {
        if ions
            .iter()
            .any(|(name, _)| name == "calcium" || name == "magnesium")
        {
            let fault = Fault::new(
                "hardness, and calcium or magnesium beside it",
                "leave hardness out: the ions tell more",
            );
            faults.push(fault.at_column(keys.at("hardness")));
        }
        ions.push(("calcium".to_owned(), hardness * CALCIUM_PER_HARDNESS));
        taken.push("hardness is taken as all calcium, which is on the safe side".to_owned());
        if alkalinity.is_none() {
            alkalinity = Some(hardness);
            taken.push(
                "alkalinity was not analysed and is taken as the hardness (common practice, no source); a drop test tells it"
                    .to_owned(),
            );
        }
    }
    keys.close(faults);
    if faults.total() > before {
        return None;
    }
    let missing = f64::NAN;
    match Water::new(
        temperature,
        ph.unwrap_or(missing),
        alkalinity.unwrap_or(missing),
        tds.unwrap_or(missing),
        ions,
    ) {
        Ok(analysis) => Some(SiteWater { analysis, taken }),
        Err(error) => {
            for fault in error.faults() {
                let key = fault.column.clone().unwrap_or_default();
                faults.push(fault.at_column(format!("[water] {key}")));
            }
            None
        }
    }
}

pub(super) fn scaling(table: Option<&Table>, faults: &mut Faults) -> Scaling {
    let mut keys = Keys::new("[scaling]", table);
    let (at_limits, at_passage) = (keys.at("limits"), keys.at("salt_passage"));
    let limits = keys
        .value("limits")
        .and_then(|value| limits_of(value, &at_limits, faults));
    let passage = keys
        .value("salt_passage")
        .and_then(|value| passage_of(value, &at_passage, faults));
    let method = keys.choice(
        "method",
        &[
            ("standard", Method::Standard),
            ("activity", Method::Activity),
        ],
        faults,
    );
    let softened = keys.quantity("softened", Quantity::Fraction, SHARE_OF_ONE, faults);
    let acid = keys.choice(
        "acid",
        &[
            ("sulfuric", Acid::Sulfuric),
            ("hydrochloric", Acid::Hydrochloric),
        ],
        faults,
    );
    let dose = keys.quantity(
        "acid_dose",
        Quantity::Concentration,
        (0.0, 10_000.0),
        faults,
    );
    if acid.is_some() != dose.is_some() && keys.given("acid") != keys.given("acid_dose") {
        faults.push(
            Fault::new(
                "an acid wants its dose, and a dose its acid",
                "acid = \"sulfuric\" and acid_dose = \"30 mg/L\", or neither",
            )
            .at_column(keys.at("acid")),
        );
    }
    let antiscalant = keys.text("antiscalant", faults);
    keys.close(faults);
    let default = Scaling::default();
    Scaling {
        limits: limits.unwrap_or(default.limits),
        method: method.unwrap_or(default.method),
        softened,
        acid: acid.zip(dose),
        passage: passage.unwrap_or(default.passage),
        antiscalant,
    }
}

/// "untreated", "antiscalant", or a table with a limit for each scale, spaces of its name as underscores.
fn limits_of(value: &Value, place: &str, faults: &mut Faults) -> Option<Limits> {
    let found = match value {
        Value::String(name) => Limits::parse(name),
        Value::Table(table) => {
            let known = Scale::ALL
                .map(|scale| scale.name().replace(' ', "_"))
                .join(", ");
            let mut given = Vec::new();
            for (name, value) in table {
                match as_number(value) {
                    Some(figure) => given.push((name.replace('_', " "), figure)),
                    None => {
                        faults.push(wrong(
                            &format!("{place} {name}"),
                            value,
                            &format!("a number, for any of {known}"),
                        ));
                        return None;
                    }
                }
            }
            Limits::from_names(given)
        }
        other => {
            faults.push(wrong(
                place,
                other,
                "\"untreated\", \"antiscalant\", or { calcium_carbonate = 1.5, … }",
            ));
            return None;
        }
    };
    found
        .map_err(|error| {
            for fault in error.faults() {
                faults.push(fault.at_column(place));
            }
        })
        .ok()
}

/// "2 %" of all, or a table by ion.
fn passage_of(value: &Value, place: &str, faults: &mut Faults) -> Option<SaltPassage> {
    let share = |value: &Value, place: &str, faults: &mut Faults| {
        quantity_of(value, place, Quantity::Fraction, SHARE_OF_ONE, faults).map(|(share, _)| share)
    };
    let Some(table) = value.as_table() else {
        return share(value, place, faults).map(SaltPassage::all);
    };
    let mut given = Vec::new();
    for (name, value) in table {
        given.push((
            name.clone(),
            share(value, &format!("{place} {name}"), faults)?,
        ));
    }
    SaltPassage::from_names(given)
        .map_err(|error| {
            for fault in error.faults() {
                faults.push(fault.at_column(place));
            }
        })
        .ok()
}

impl Site {
    /// The feed on a day: its analysis at another temperature and, where the day's salt is another, with all contents scaled
    /// alike; before any treatment. `None` where the site file has no analysis.
    ///
    /// # Errors
    /// [`Error::Range`] for a temperature outside 0 to 50 degC; [`Error::Analysis`] where salt is told that the analysis
    /// can't be scaled to, since its own is not known.
    pub fn water_at(
        &self,
        temperature_degc: f64,
        feed_tds: Option<f64>,
    ) -> Result<Option<Water>, Error> {
        let Some(site_water) = &self.water else {
            return Ok(None);
        };
        let water = site_water.analysis;
        let own = water.dissolved_solids();
        let factor = match feed_tds {
            Some(tds) if own.is_nan() => {
                return Err(Error::Analysis(
                    Fault::new(
                        format!("the day's salt is {tds:.0} mg/L, and the analysis tells no salt to scale from"),
                        "add [water] tds = \"800 mg/L\", that of the sample",
                    )
                    .at_column("[water] tds")
                    .into(),
                ));
            }
            Some(tds) if own > 0.0 && (tds / own - 1.0).abs() > SAME_SALT => tds / own,
            _ => 1.0,
        };
        water
            .scaled(factor)
            .at_temperature(temperature_degc)
            .map(Some)
    }

    /// The recoveries that the scales of a water allow, treated as the site file says.
    ///
    /// # Errors
    /// As of [`recovery_limits`], and for a dose of acid that is too much for this water.
    pub fn scaling_of(&self, water: &Water) -> Result<RecoveryLimits, Error> {
        let treated = self.treated(water)?;
        recovery_limits(
            &treated,
            &self.scaling.passage,
            &self.scaling.limits,
            self.scaling.method,
        )
    }

    /// A water behind the site's softener and acid.
    ///
    /// # Errors
    /// [`Error::Range`] for a dose that leaves too little alkalinity, or a pH below 4.
    pub fn treated(&self, water: &Water) -> Result<Water, Error> {
        let mut treated = *water;
        if let Some(share) = self.scaling.softened {
            treated = treated.softened(share)?;
        }
        if let Some((acid, dose)) = self.scaling.acid {
            treated = treated.acidified(dose, acid)?;
        }
        Ok(treated)
    }
}
