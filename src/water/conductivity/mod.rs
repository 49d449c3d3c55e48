//! What the conductivity of water tells: brought to 25 degC, compared with standards, turned into salt.

mod compensation;
pub mod meter;
mod potassium_chloride;
mod salt;

pub use compensation::Compensation;
pub use potassium_chloride::potassium_chloride_conductivity;
pub use salt::SaltCurve;

/// Wide bounds that catch a wrong unit, µS/cm. No water of a membrane plant conducts more.
const RANGE_US_CM: (f64, f64) = (0.0, 1_000_000.0);
