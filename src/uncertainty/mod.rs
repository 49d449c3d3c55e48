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

mod budget;
pub mod classes;
mod errors;
mod monte_carlo;

pub use budget::{Budget, Share};
pub use monte_carlo::{MonteCarlo, MonteCarloSettings, Simulated};

pub(crate) use errors::{
    ErrorModel, FEWER_SOURCES, OfReference, SOURCES, contributions, contributions_to_change,
};
