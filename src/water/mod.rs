//! Properties of the water that the corrections need: viscosity, density, osmotic pressure.

pub mod density;
pub mod osmotic;
pub mod viscosity;

pub use density::density;
pub use osmotic::Basis;
pub use viscosity::viscosity;

/// 0 degC on the absolute scale, K (exact by definition of the degree Celsius).
pub const ZERO_CELSIUS_K: f64 = 273.15;
