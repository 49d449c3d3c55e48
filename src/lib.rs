//! Like-for-like figures for reverse-osmosis units.
//!
//! A reading goes in with its units; what comes out is how that reading compares, like for like, with the
//! same membranes when they were new. The way data flows is the order of the modules:
//!
//! ```text
//! log ──► screen ──► water, membrane ──► normalise ──► baseline ──► assess
//! ```
//!
//! - [`log`]: readings with their units, from files and tables in memory; [`site`]: the unit, described once.
//! - [`water`], [`membrane`]: viscosity, density, osmotic pressure; what the membranes see.
//! - [`mod@normalise`]: the corrections, an equation a module, and the run over a log.
//! - [`baseline`]: what the membranes did when new.
//! - [`mod@start_up`]: the first days, which become that.
//! - [`mod@assess`]: the last days against that.
//! - [`trend`], [`mod@change_points`]: statistics of one series, and of several, that stand beside those.
//! - [`mod@settings`]: what to set on a day, and what then to expect.
//! - [`mod@warranty`]: what was agreed on about the membranes, clause by clause.
//! - [`folder`]: what one unit is, what was read of it and what was done to it, visit after visit.
//! - [`mod@compare`]: trains and periods against each other.
//! - [`sizing`]: how big a unit a demand needs, through the year.
//! - [`mod@write`]: tables out. [`buffer`], [`error`], [`stats`], [`table`] and [`units`] serve all of them.
//!
//! Figures inside are in canonical units: m3/h, bar (gauge), degC, mg/L, uS/cm, m2, h. Missing is NaN.

pub mod aggregate;
pub mod assess;
pub mod baseline;
pub mod buffer;
pub mod change_points;
pub mod check;
pub mod compare;
pub mod diagnose;
pub mod error;
pub mod evidence;
pub mod folder;
pub mod forecast;
mod keys;
pub mod log;
mod math;
pub mod membrane;
pub mod normalise;
pub mod number;
pub mod record;
pub mod screen;
pub mod sensors;
pub mod service;
pub mod settings;
pub mod site;
pub mod sizing;
pub mod start_up;
pub mod stats;
pub mod table;
pub mod trend;
pub mod uncertainty;
pub mod units;
pub mod warranty;
pub mod water;
pub mod write;

#[cfg(feature = "python")]
mod python;

pub use baseline::Baseline;
pub use error::{Error, Fault, Faults};
pub use log::Log;
pub use normalise::{Analysis, Normalised};
pub use site::Site;

/// The version of this library; it stands in every result.
pub const VERSION: &str = env!("CARGO_PKG_VERSION");
