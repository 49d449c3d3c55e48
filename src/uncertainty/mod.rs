//! How sure each figure is: from what the instruments may be off by, by the law of propagation.
//!
//! Every error that may stand in a reading has a source: an instrument, an assumption, a factor, a law. A figure's standard
//! uncertainty is u² = Σ (∂y/∂source)² u²(source), with exact derivatives (JCGM 100:2008, eq. 10; the sources are
//! independent of each other, and where one reading enters by several ways the derivative is of all of them together, which
//! is what the covariances of eq. 13 come to).
//!
//! Of each source two kinds of error are told apart. What an instrument is *off by* (its accuracy, an assumption, a law)
//! is unknown but stays the same: it is in the baseline too, and mostly cancels in a change against it, unless the
//! instrument was calibrated in between. What *scatters* (resolution, repeatability) is new in each reading.
//!
//! A limit ±a is taken as evenly likely within (JCGM 100, 4.3.7): u = a/√3; a resolution r likewise: u = r/√12.
//!
//! ```
//! use brinemark::{Analysis, Baseline, Site, log::{ReadOptions, read_log}, normalise::normalise};
//! # let folder = std::env::temp_dir().join(format!("brinemark-doc-u-{}", std::process::id()));
//! # std::fs::create_dir_all(&folder).expect("a folder");
//! # let path = folder.join("plant.csv");
//! # std::fs::write(&path, "time,feed_temperature [degC],feed_pressure [bar],differential_pressure [bar],permeate_flow [m3/h],feed_flow [m3/h],feed_tds [mg/L],permeate_tds [mg/L]\n2026-01-01T00:00Z,12,16,2.1,45,60.8,2300,26\n").expect("written");
//! let site = Site::parse(r#"
//!     site.name = "example"
//!     element.area = "37.2 m2"
//!     stage = [{ vessels = 10, elements_per_vessel = 6 }]
//!     temperature.law = "standard-practice"
//!     salinity.basis = "tds-rule"
//!     assume.permeate_pressure = "0.5 bar"
//!     [instruments]
//!     permeate_flow = { class = "float-meter", span = "60 m3/h" }
//!     feed_temperature = { accuracy = "1 degC" }
//!     [reference]
//!     kind = "design"
//!     permeate_flow = "50 m3/h"
//!     feed_temperature = "25 degC"
//!     feed_pressure = "12.5 bar"
//!     differential_pressure = "1.8 bar"
//!     permeate_pressure = "0.5 bar"
//!     feed_tds = "2000 mg/L"
//!     permeate_tds = "30 mg/L"
//!     recovery = "75 %"
//! "#)?;
//! let log = read_log(&path, &ReadOptions::default())?;
//! let baseline = Baseline::find(&log, &site, &[Analysis::PermeateFlow])?;
//! let result = normalise(&log, &site, &baseline, &[Analysis::PermeateFlow])?;
//! let budget = result.budget("normalised_permeate_flow", 0)?;
//! assert_eq!(budget.shares[0].source, "permeate_flow");
//! // m3/h: 5 % of the span, evenly, is 1.73; what it does to recovery too makes it more.
//! assert!((2.4..2.6).contains(&budget.u), "{}", budget.u);
//! # std::fs::remove_dir_all(&folder).ok();
//! # Ok::<(), brinemark::Error>(())
//! ```

mod budget;
pub mod classes;
mod errors;
mod monte_carlo;

pub use budget::{Budget, Share};
pub use monte_carlo::{MonteCarlo, MonteCarloSettings, Simulated};

pub(crate) use errors::{
    ErrorModel, FEWER_SOURCES, OfReference, SOURCES, contributions, contributions_to_change,
};
