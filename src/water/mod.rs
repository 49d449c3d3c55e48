//! Properties of the water that the corrections need: viscosity, density, osmotic pressure, what its conductivity tells,
//! and what may scale from it.

pub mod conductivity;
pub mod density;
pub mod osmotic;
pub mod scaling;
pub mod silt_density;
pub mod viscosity;

pub use conductivity::{Compensation, SaltCurve, potassium_chloride_conductivity};
pub use density::density;
pub use osmotic::{Basis, IonTable, WaterAnalysis, seawater_density, seawater_osmotic_pressure};
pub use viscosity::viscosity;

/// 0 degC on the absolute scale, K (exact by definition of the degree Celsius).
pub const ZERO_CELSIUS_K: f64 = 273.15;
