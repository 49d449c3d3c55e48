//! The site description: one unit, described once, in a TOML file that a person can write.

mod certificate;
mod columns;
mod entries;
mod read;
mod screen;
mod service;
mod wanted;
mod water;

use std::collections::BTreeMap;
use std::path::Path;

use serde::Serialize;

use crate::error::{Error, Fault};
use crate::log::Column;
use crate::normalise::temperature::Law;
use crate::screen::ScreenSettings;
use crate::units::{Quantity, Unit};
use crate::water::{Basis, SaltCurve};

pub use certificate::{Certificate, OffBy};
pub(crate) use certificate::{Known, KnownErrors, known_at};
pub use columns::SiteColumn;
pub(crate) use entries::{instant, range_of as possible};
pub(crate) use read::{law, tds_per_conductivity};
pub use service::{Interval, Service, ServiceKind};
pub use wanted::{ElementLimits, Figure, RECYCLE_FEED_TDS_MG_L, Wanted};
pub use water::{Scaling, SiteWater};

/// A commented site file with every key.
pub const TEMPLATE: &str = include_str!("template.toml");

/// One reverse-osmosis unit: what it is made of, how to correct its readings, what they are compared with.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Site {
    /// Its name.
    pub name: String,
    /// Anything its users want to keep with it.
    pub notes: Option<String>,
    /// The element, alike in all vessels.
    pub element: Element,
    /// The stages, in the order the concentrate runs.
    pub stages: Vec<Stage>,
    /// Whether concentrate returns ahead of the membranes.
    pub recycle: bool,
    /// Salt in the raw feed above which concentrate is not to be recycled without a second thought, mg/L.
    pub recycle_feed_tds: f64,
    /// How permeate flow follows temperature.
    pub temperature: Law,
    /// How far the constant of that law may be off, K: its factor by exp[δK (1/298.15 − 1/T)].
    pub temperature_accuracy_k: Option<f64>,
    /// How salt transport follows temperature; `None`: as permeate flow.
    pub salt_temperature: Option<Law>,
    /// How far the constant of that law may be off, K.
    pub salt_temperature_accuracy_k: Option<f64>,
    /// What the salt is, and how conductivity tells its amount.
    pub salinity: Salinity,
    /// The analysis of the feed, where there is one.
    pub water: Option<SiteWater>,
    /// How far its scales may go.
    pub scaling: Scaling,
    /// What readings are compared with.
    pub reference: ReferenceRule,
    /// Choices of the normalisation.
    pub normalise: NormaliseSettings,
    /// What the plant does not measure, in canonical units.
    pub assume: BTreeMap<Column, Assumed>,
    /// The instruments behind the columns.
    pub instruments: BTreeMap<Column, Instrument>,
    /// What is wanted of the unit.
    pub wanted: Wanted,
    /// Limits of the unit, by column name or `recovery`, in canonical units.
    pub limits: BTreeMap<String, Limit>,
    /// What was done to the unit, in time order.
    pub events: Vec<Event>,
    /// How strict the screening is.
    pub screen: ScreenSettings,
    /// What is to be done again and again, in the file's order.
    pub service: Vec<Service>,
    /// The file as it was written.
    #[serde(skip)]
    pub text: String,
}

/// One element, as its data sheet tells.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Element {
    /// What is printed on it.
    pub name: Option<String>,
    /// Membrane area, m2.
    pub area_m2: f64,
    /// Length along the flow, m.
    pub length_m: Option<f64>,
    /// Thickness of the feed spacer, m.
    pub feed_spacer_thickness_m: Option<f64>,
    /// Permeate flow at the test conditions, m3/h.
    pub rated_permeate_flow_m3_h: Option<f64>,
    /// How far an element's flow may lie from that, either way, as a share.
    pub rated_permeate_flow_tolerance: Option<f64>,
    /// Rejection at the test conditions.
    pub rated_rejection: Option<f64>,
    /// The least that an element may have.
    pub rated_rejection_minimum: Option<f64>,
    /// Test pressure, bar.
    pub test_pressure_bar: Option<f64>,
    /// Test temperature, degC.
    pub test_temperature_degc: Option<f64>,
    /// Salt in the test's feed, mg/L.
    pub test_feed_tds_mg_l: Option<f64>,
    /// Recovery of the test.
    pub test_recovery: Option<f64>,
    /// What its maker allows.
    pub limits: ElementLimits,
}

/// Vessels in parallel, each with elements in series.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Stage {
    /// Vessels in parallel.
    pub vessels: u32,
    /// Elements in series in each.
    pub elements_per_vessel: u32,
}

impl Stage {
    /// Elements of the stage.
    pub fn elements(self) -> u32 {
        self.vessels * self.elements_per_vessel
    }
}

/// What the dissolved salt is, and how conductivity tells its amount.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Salinity {
    /// The basis of osmotic pressure.
    pub basis: Basis,
    /// How far osmotic pressures may be off, as a share of themselves.
    pub osmotic_accuracy: Option<f64>,
    /// How conductivity tells mg/L, of each stream that has one.
    pub tds_per_conductivity: TdsPerConductivity,
}

/// How the conductivity of a stream tells its mg/L.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(untagged)]
pub enum ConductivityRule {
    /// mg/L per µS/cm at 25 degC.
    Factor(f64),
    /// As of a salt, whose ratio rises with its content.
    Curve(SaltCurve),
}

/// How conductivity tells mg/L, a stream each: the ratio rises with salinity, so that one factor for all biases rejection.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct TdsPerConductivity {
    /// Of the feed.
    pub feed: Option<ConductivityRule>,
    /// Of the permeate.
    pub permeate: Option<ConductivityRule>,
    /// Of the concentrate.
    pub concentrate: Option<ConductivityRule>,
    /// How far each mg/L may be off by its rule, as a share of itself.
    pub accuracy: Option<f64>,
}

/// What "like new" means.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(tag = "kind", rename_all = "kebab-case")]
pub enum ReferenceRule {
    /// The median of a period of the log itself.
    Baseline(BaselineRule),
    /// The conditions the unit was designed for.
    Design(Design),
}

/// Which readings are the baseline.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BaselineRule {
    /// The start-up, µs since 1970 UTC; `None`: the first running reading of each train and stage.
    pub start_us: Option<i64>,
    /// How long after the start readings are passed over, h.
    pub stabilise_h: f64,
    /// How long the baseline lasts, h.
    pub period_h: f64,
    /// The fewest usable readings that make a baseline.
    pub minimum_readings: u32,
}

/// Design conditions, in canonical units.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Design {
    /// Permeate flow, m3/h.
    pub permeate_flow: f64,
    /// Feed temperature, degC.
    pub feed_temperature: f64,
    /// Feed pressure, bar.
    pub feed_pressure: f64,
    /// Feed pressure less concentrate pressure, bar.
    pub differential_pressure: f64,
    /// Permeate pressure, bar.
    pub permeate_pressure: f64,
    /// Salt in the feed, mg/L.
    pub feed_tds: f64,
    /// Salt in the permeate, mg/L.
    pub permeate_tds: f64,
    /// Permeate flow over feed flow.
    pub recovery: f64,
    /// Concentrate returned, m3/h.
    pub recycle_flow: f64,
}

/// Choices of the normalisation.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct NormaliseSettings {
    /// A log of the whole unit, of several stages, taken as if it were one.
    pub stages_together: bool,
    /// m of ΔP ∝ flow^m.
    pub differential_pressure_flow_exponent: f64,
    /// p of ΔP ∝ viscosity^p.
    pub differential_pressure_viscosity_power: f64,
}

impl Default for NormaliseSettings {
    /// Pressure drop of a feed spacer: friction factor 6.23 Re^−0.3 (Schock and Miquel, Desalination 64
    /// (1987) 339, coefficients from memory), so that ΔP ∝ flow^1.7 viscosity^0.3.
    fn default() -> Self {
        Self {
            stages_together: false,
            differential_pressure_flow_exponent: 1.7,
            differential_pressure_viscosity_power: 0.3,
        }
    }
}

/// What stands for a column that the plant does not measure.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Assumed {
    /// The value, canonical.
    pub value: f64,
    /// As the file says it.
    pub text: String,
}

/// The instrument behind a column, or how well an assumption is known.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Instrument {
    /// How far it may be off, by its class or its own data sheet.
    pub accuracy: Option<Accuracy>,
    /// The least step it shows, canonical.
    pub resolution: Option<f64>,
    /// Standard deviation of single readings of a quantity that does not change, canonical.
    pub repeatability: Option<f64>,
    /// What it can show, canonical.
    pub range: Option<(f64, f64)>,
    /// When it was last calibrated, as the file says it (a date).
    pub calibrated_on: Option<String>,
}

/// How far an instrument may be off, either way: `absolute` + `of_reading` · |reading|.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Accuracy {
    /// The same everywhere, canonical; a share of the span is this too.
    pub absolute: f64,
    /// A share of what it reads.
    pub of_reading: f64,
}

impl Accuracy {
    /// "0.3 degC", "2 % of reading", "2 % of 8 gpm" (of the span), or two of them with a plus between.
    ///
    /// # Errors
    /// A [`Fault`] for anything else, a plain "2 %" among it: of what?
    pub fn parse(text: &str, quantity: Quantity) -> Result<Self, Fault> {
        entries::accuracy_of(text, quantity)
    }

    /// How far off it may be where it reads this.
    pub fn at(self, reading: f64) -> f64 {
        self.absolute + self.of_reading * reading.abs()
    }
}

/// Limits of a quantity, canonical.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Limit {
    /// No less than this.
    pub low: Option<f64>,
    /// No more than this.
    pub high: Option<f64>,
    /// The unit in which the file gives it.
    #[serde(serialize_with = "word")]
    pub unit: &'static Unit,
}

fn word<S: serde::Serializer>(unit: &&'static Unit, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(unit.word)
}

/// Something done to the unit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Event {
    /// When, µs since 1970 UTC.
    pub time_us: i64,
    /// What.
    pub kind: EventKind,
    /// Of a calibration: the column whose instrument was set right; `None`: any may have been.
    pub of: Option<Column>,
    /// Of a calibration: what its certificate tells.
    pub certificate: Option<Certificate>,
    /// In its users' words.
    pub note: String,
}

/// What was done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum EventKind {
    /// The membranes were cleaned.
    Cleaning,
    /// Membranes were replaced.
    Replacement,
    /// An instrument was calibrated.
    Calibration,
    /// The water's treatment ahead of the membranes was changed.
    PretreatmentChange,
    /// Anything else.
    Other,
}

impl EventKind {
    /// Every kind with its name in a site file.
    pub const NAMES: [(&'static str, Self); 5] = [
        ("cleaning", Self::Cleaning),
        ("replacement", Self::Replacement),
        ("calibration", Self::Calibration),
        ("pretreatment-change", Self::PretreatmentChange),
        ("other", Self::Other),
    ];

    /// Its name in a site file.
    pub fn name(self) -> &'static str {
        Self::NAMES
            .iter()
            .find(|(_, kind)| *kind == self)
            .map_or("other", |(name, _)| name)
    }
}

impl Site {
    /// Reads a site file.
    ///
    /// # Errors
    /// [`Error::File`] where it can't be opened, [`Error::Site`] with every fault in it.
    pub fn load(path: &Path) -> Result<Self, Error> {
        let text =
            std::fs::read_to_string(path).map_err(|cause| Error::file(path, "read", cause))?;
        Self::parse(&text)
    }

    /// Reads the text of a site file.
    ///
    /// # Errors
    /// [`Error::Site`] with every fault in it.
    ///
    /// ```
    /// let site = brinemark::Site::parse(brinemark::site::TEMPLATE)?;
    /// assert_eq!(site.elements(), 6);
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn parse(text: &str) -> Result<Self, Error> {
        read::site(text)
    }

    /// Elements of all stages.
    pub fn elements(&self) -> u32 {
        self.stages.iter().map(|stage| stage.elements()).sum()
    }

    /// The law of salt transport.
    pub fn salt_law(&self) -> &Law {
        self.salt_temperature.as_ref().unwrap_or(&self.temperature)
    }

    /// The settings as JSON.
    pub fn settings(&self) -> String {
        serde_json::to_string_pretty(self).unwrap_or_default()
    }

    /// A fingerprint of what determines the figures of a result: the element, the stages, the laws, the
    /// bases, the factors and the assumptions. Results and baselines of different ones aren't compared.
    pub fn method_hash(&self) -> String {
        let decisive = serde_json::json!({
            "method": crate::normalise::METHOD,
            "area": self.element.area_m2,
            "stages": self.stages,
            "recycle": self.recycle,
            "temperature": self.temperature,
            "salt_temperature": self.salt_law(),
            "salinity": Salinity {
                osmotic_accuracy: None,
                tds_per_conductivity: TdsPerConductivity {
                    accuracy: None,
                    ..self.salinity.tds_per_conductivity
                },
                ..self.salinity
            },
            "normalise": self.normalise,
            "assume": self.assume,
        });
        blake3::hash(decisive.to_string().as_bytes())
            .to_hex()
            .to_string()
    }
}
