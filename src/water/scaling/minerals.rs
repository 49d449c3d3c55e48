//! What may come out of the water: the minerals and their solubility products.

use super::species::{BARIUM, CALCIUM, CARBONATE, FLUORIDE, LogK, SILICA, STRONTIUM, SULFATE};

/// A scale that reverse osmosis is watched for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scale {
    /// Calcium carbonate, as calcite.
    CalciumCarbonate,
    /// Calcium sulfate, as gypsum.
    CalciumSulfate,
    /// Barium sulfate, barite.
    BariumSulfate,
    /// Strontium sulfate, celestite.
    StrontiumSulfate,
    /// Calcium fluoride, fluorite.
    CalciumFluoride,
    /// Amorphous silica.
    Silica,
}

impl Scale {
    /// All, in the order they are told.
    pub const ALL: [Self; 6] = [
        Self::CalciumCarbonate,
        Self::CalciumSulfate,
        Self::BariumSulfate,
        Self::StrontiumSulfate,
        Self::CalciumFluoride,
        Self::Silica,
    ];

    /// Its name, in words and settings.
    pub fn name(self) -> &'static str {
        match self {
            Self::CalciumCarbonate => "calcium carbonate",
            Self::CalciumSulfate => "calcium sulfate",
            Self::BariumSulfate => "barium sulfate",
            Self::StrontiumSulfate => "strontium sulfate",
            Self::CalciumFluoride => "calcium fluoride",
            Self::Silica => "silica",
        }
    }

    /// log10 of the product of activities at which it neither dissolves nor grows (phreeqc.dat, USGS: calcite, gypsum,
    /// barite, celestite, fluorite, SiO2(a)), at a temperature in degC.
    ///
    /// Barite is −9.84 at 25 degC by this equation and −9.97 by the file's own single figure: its sign in a water near
    /// saturation rests on that choice.
    pub fn log_solubility_product(self, temperature_degc: f64) -> f64 {
        let coefficients = match self {
            Self::CalciumCarbonate => [-171.9065, -0.077_993, 2839.319, 71.595, 0.0, 0.0],
            Self::CalciumSulfate => [68.2401, 0.0, -3221.51, -25.0627, 0.0, 0.0],
            Self::BariumSulfate => [-282.43, -8.972e-2, 5822.0, 113.08, 0.0, 0.0],
            Self::StrontiumSulfate => [-7.14, 6.11e-3, 75.0, 0.0, 0.0, -1.79e-5],
            Self::CalciumFluoride => [66.348, 0.0, -4298.2, -25.271, 0.0, 0.0],
            Self::Silica => [-0.26, 0.0, -731.0, 0.0, 0.0, 0.0],
        };
        LogK::Analytic(coefficients).at(temperature_degc)
    }

    /// The components it is made of, each with how many of them.
    pub(super) fn components(self) -> &'static [(usize, f64)] {
        match self {
            Self::CalciumCarbonate => &[(CALCIUM, 1.0), (CARBONATE, 1.0)],
            Self::CalciumSulfate => &[(CALCIUM, 1.0), (SULFATE, 1.0)],
            Self::BariumSulfate => &[(BARIUM, 1.0), (SULFATE, 1.0)],
            Self::StrontiumSulfate => &[(STRONTIUM, 1.0), (SULFATE, 1.0)],
            Self::CalciumFluoride => &[(CALCIUM, 1.0), (FLUORIDE, 2.0)],
            Self::Silica => &[(SILICA, 1.0)],
        }
    }

    /// Mol of water in a mol of it.
    pub(super) fn water(self) -> f64 {
        match self {
            Self::CalciumSulfate => 2.0,
            Self::Silica => -2.0,
            _ => 0.0,
        }
    }
}
