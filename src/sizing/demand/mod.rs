//! What is needed of a unit, as data: how much, when, from which water, with which allowances.

mod day;
mod read;

use std::path::Path;

use serde::Serialize;

use crate::error::Error;
use crate::units::Unit;

pub use day::{MINUTES, Stretch, clock};

/// A commented demand file with every key.
pub const TEMPLATE: &str = include_str!("template.toml");

/// The months by name.
pub const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// What is needed of a unit, and what it is given; canonical units, and a figure a month from January on.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Demand {
    /// Its name.
    pub name: String,
    /// Anything to be kept with it.
    pub notes: Option<String>,
    /// Permeate needed a day, as a mean flow over its 24 h, m3/h.
    pub daily: [f64; 12],
    /// When the day draws it; the shares add up to 1.
    pub profile: Vec<Stretch>,
    /// The highest flow drawn, m3/h.
    pub peak_flow: Option<f64>,
    /// Storage.
    pub tank: Option<Tank>,
    /// When and at which flow the unit runs.
    pub running: Running,
    /// Permeate over raw feed.
    pub recovery: f64,
    /// bar.
    pub permeate_pressure: f64,
    /// Concentrate returned ahead of the pump by the unit as it is, m3/h.
    pub recycle_flow: f64,
    /// The water.
    pub feed: Feed,
    /// What membranes lose before they are cleaned or replaced.
    pub allowance: Allowance,
    /// Hydraulic over electrical power.
    pub pump_efficiency: Option<f64>,
    /// What things cost.
    pub prices: Prices,
    /// The units the file is written in.
    pub units: DemandUnits,
    /// The file as it was written.
    #[serde(skip)]
    pub text: String,
}

/// Storage between the unit and the building.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Tank {
    /// What can be drawn of it, m3.
    pub usable_m3: f64,
    /// The unit starts at this share of it and below.
    pub start_at: f64,
    /// The unit stops at this share of it.
    pub stop_at: f64,
}

/// When and at which flow the unit runs.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Running {
    /// From and to, minutes from midnight.
    pub between: Vec<(usize, usize)>,
    /// At most so long a day, h.
    pub most_hours: Option<f64>,
    /// What it is set to.
    pub flow: RunningFlow,
}

impl Running {
    /// How long it may run a day, h.
    pub fn hours(&self) -> f64 {
        let minutes: usize = self.between.iter().map(|(from, to)| to - from).sum();
        let hours = minutes as f64 / 60.0;
        self.most_hours.map_or(hours, |most| most.min(hours))
    }

    /// Whether it may run, minute by minute.
    pub fn allowed(&self) -> Vec<bool> {
        (0..MINUTES)
            .map(|minute| {
                let within = |(from, to): &(usize, usize)| (*from..*to).contains(&minute);
                self.between.iter().any(within)
            })
            .collect()
    }
}

/// The permeate flow a unit is set to.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum RunningFlow {
    /// What the day needs, over the hours it may run.
    Need,
    /// What it makes at the pressure limit.
    Limit,
    /// This, m3/h.
    Flow(f64),
}

/// The water, month by month.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Feed {
    /// degC.
    pub temperature: [f64; 12],
    /// Whether those are sine waves between a coldest and a warmest month.
    pub is_sine: bool,
    /// mg/L.
    pub tds: [f64; 12],
    /// What the supply gives ahead of the pump, bar.
    pub inlet_pressure: Option<f64>,
}

/// What membranes lose before they are cleaned or replaced.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Allowance {
    /// Flow lost a year, as a share of the year before's.
    pub flow_loss_a_year: f64,
    /// Years between replacements.
    pub years: f64,
    /// Flow lost between cleanings, as a share.
    pub fouling: f64,
    /// Salt passage gained a year, as a share of the year before's.
    pub salt_passage_growth_a_year: f64,
    /// How far the rated flow may be off, either way, as a share.
    pub rated_flow_tolerance: Option<f64>,
}

impl Allowance {
    /// What water permeability has come down to at its worst, over that when new: (1 − loss)^years (1 − fouling).
    pub fn water(&self) -> f64 {
        (1.0 - self.flow_loss_a_year).powf(self.years) * (1.0 - self.fouling)
    }

    /// What salt permeability has come up to, over that when new: (1 + growth)^years.
    pub fn salt(&self) -> f64 {
        (1.0 + self.salt_passage_growth_a_year).powf(self.years)
    }
}

/// What things cost, in one currency.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Prices {
    /// A kilowatt hour.
    pub energy_per_kwh: Option<f64>,
    /// A cubic metre of raw feed.
    pub water_per_m3: Option<f64>,
    /// Its name.
    pub currency: Option<String>,
}

/// The units a demand file is written in.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DemandUnits {
    /// Of the feed's temperature.
    #[serde(serialize_with = "word")]
    pub temperature: &'static Unit,
    /// Of what a day needs.
    #[serde(serialize_with = "word")]
    pub daily: &'static Unit,
    /// Of flows.
    #[serde(serialize_with = "word")]
    pub flow: &'static Unit,
    /// Of what the tank holds.
    #[serde(serialize_with = "word")]
    pub volume: &'static Unit,
}

fn word<S: serde::Serializer>(unit: &&'static Unit, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(unit.word)
}

impl Demand {
    /// Reads a demand file.
    ///
    /// # Errors
    /// [`Error::File`] where it can't be opened, [`Error::Demand`] with every fault in it.
    pub fn load(path: &Path) -> Result<Self, Error> {
        let text =
            std::fs::read_to_string(path).map_err(|cause| Error::file(path, "read", cause))?;
        Self::parse(&text)
    }

    /// Reads the text of a demand file.
    ///
    /// # Errors
    /// [`Error::Demand`] with every fault in it.
    ///
    /// ```
    /// let demand = brinemark::sizing::Demand::parse(brinemark::sizing::TEMPLATE)?;
    /// assert!((demand.daily[0] - 16.0 / 24.0).abs() < 1e-12);
    /// # Ok::<(), brinemark::Error>(())
    /// ```
    pub fn parse(text: &str) -> Result<Self, Error> {
        read::demand(text)
    }

    /// The settings as JSON, in canonical units.
    pub fn settings(&self) -> String {
        serde_json::to_string_pretty(self).unwrap_or_default()
    }

    /// What is drawn in each minute of a day of a month, m3.
    pub fn draws(&self, month: usize) -> Vec<f64> {
        let mut draws = vec![0.0; MINUTES];
        for stretch in &self.profile {
            let each = 24.0 * self.daily[month] * stretch.share / stretch.minutes() as f64;
            for draw in &mut draws[stretch.from..stretch.to] {
                *draw += each;
            }
        }
        draws
    }

    /// The highest mean flow of the profile, of the month that needs most, m3/h.
    pub fn highest_flow(&self) -> f64 {
        let most = 24.0 * self.daily.iter().copied().fold(0.0, f64::max);
        let of = |stretch: &Stretch| most * stretch.share / (stretch.minutes() as f64 / 60.0);
        self.profile.iter().map(of).fold(0.0, f64::max)
    }
}
