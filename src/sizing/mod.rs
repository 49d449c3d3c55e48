//! How big a unit a demand needs, through the year.
//!
//! Each month: the membrane of the rating, worn by what the demand file allows for, in that month's water, at the pressure limit
//! and the wanted recovery, by the membrane model; what it makes of what the day needs. The month that has least of it sets the
//! size. A unit sized at 77 degF starves in February; the rule of thumb of 2 % a degF is as steep as the steepest published law.

mod demand;
mod limits;
mod needed;
mod tank;
mod words;
mod work;
mod year;

use std::sync::Arc;

use crate::error::{Error, setting};
use crate::site::Site;
use crate::units::Unit;

pub use demand::{
    Allowance, Demand, DemandUnits, Feed, MINUTES, MONTHS, Prices, Running, RunningFlow, Stretch,
    TEMPLATE, Tank, clock,
};
pub use limits::Break;
pub use needed::{Needed, three_per_cent_a_degc, two_per_cent_a_degf};
pub use tank::{TankDay, storage_needed, tank_day};
pub use words::{CAUTIONS, vessels_in_words};
pub use year::{Month, SizedUnit, Standing, Year, pump_power};

/// How often intervals shall hold the true figure, where nobody says.
pub const LEVEL: f64 = 0.90;

/// A unit held against a demand, and the size that would do. Figures are canonical; a day's are means over its 24 h.
#[derive(Debug, Clone, PartialEq)]
pub struct Sizing {
    /// The unit.
    pub site: Arc<Site>,
    /// What is needed of it.
    pub demand: Arc<Demand>,
    /// How often intervals shall hold the true figure.
    pub level: f64,
    /// The pressure limit, bar.
    pub pressure_limit: f64,
    /// The unit as the site file has it.
    pub present: SizedUnit,
    /// The smallest unit of the same vessels that meets every month; `None`: none was found.
    pub proposed: Option<SizedUnit>,
    /// How big it must be, and what other ways of reckoning say.
    pub needed: Needed,
    /// What could not be told, and what is missing for it.
    pub missing: Vec<String>,
    /// What else is to be known.
    pub notes: Vec<String>,
}

/// Holds a unit against a demand, month by month, and finds the size that meets every month.
///
/// `level`: how often intervals shall hold the true figure, 0.5 to 0.999. Each interval is by propagation of what the site file's
/// `[temperature] accuracy` and the demand file's rated_flow_tolerance say (evenly likely within, u = a/√3); neither told, none.
///
/// # Errors
/// [`Error::Site`] names each key of the rating, or the limit of feed pressure, that is missing. [`Error::Demand`] where the model does
/// not hold for a month's water, or nothing comes through at the limit. [`Error::Range`] for the level.
///
/// ```
/// use std::sync::Arc;
/// use brinemark::{Site, site, sizing};
/// let text = ["length", "feed_spacer", "rated_", "test_"].iter()
///     .fold(site::TEMPLATE.to_owned(), |text, key| text.replace(&format!("# {key}"), key))
///     .replace("# [limits]", "[limits]").replace("# feed_pressure = { high", "feed_pressure = { high");
/// let demand = sizing::Demand::parse(sizing::TEMPLATE)?;
/// let found = sizing::size(&Arc::new(Site::parse(&text)?), &Arc::new(demand), sizing::LEVEL)?;
/// assert!(found.sentence().starts_with("In every month"));
/// # Ok::<(), brinemark::Error>(())
/// ```
pub fn size(site: &Arc<Site>, demand: &Arc<Demand>, level: f64) -> Result<Sizing, Error> {
    setting("level", level, (0.5, 0.999), "")?;
    let model = work::Model::new(site, demand, level)?;
    let present = year::through_the_year(&model, &site.stages)?;
    let needed = needed::needed(&model, &present)?;
    let proposed = match &needed.vessels {
        Some(stages) if *stages == site.stages => Some(present.clone()),
        Some(stages) => Some(year::through_the_year(&model, stages)?),
        None => None,
    };
    let mut found = Sizing {
        site: Arc::clone(site),
        demand: Arc::clone(demand),
        level,
        pressure_limit: model.limit,
        missing: words::missing(demand, &limits::not_given(site)),
        notes: Vec::new(),
        present,
        proposed,
        needed,
    };
    found.notes = words::notes(&found);
    Ok(found)
}

impl Sizing {
    /// The month that binds, and the size that would do.
    pub fn sentence(&self) -> String {
        words::sentence(self)
    }

    /// What the tank of one of the units does; `None` without a tank.
    pub fn tank_sentence(&self, unit: &SizedUnit) -> Option<String> {
        words::tank(unit, &self.demand)
    }

    /// The limits of the site file that one of the units would break, one sentence each.
    pub fn broken(&self, unit: &SizedUnit) -> Vec<String> {
        unit.breaks.iter().map(words::broken).collect()
    }

    /// The unit of pressures: that of the site file's limit.
    pub fn pressure_unit(&self) -> &'static Unit {
        words::pressure_unit(self)
    }
}
