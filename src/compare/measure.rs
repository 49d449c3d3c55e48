//! What is compared.

use crate::trend::points::Quantity;

/// A figure by which arms are compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Measure {
    /// How fast water permeability falls, 1/y of the logarithm; cleanings apart.
    FoulingRate,
    /// How fast the like-for-like pressure drop rises, 1/y of the logarithm; cleanings apart.
    PressureRise,
    /// Salt passage, like for like, against its reference.
    SaltPassage,
    /// Differential pressure, like for like, against its reference.
    DifferentialPressure,
    /// Days from one cleaning to the next.
    DaysBetweenCleanings,
    /// Energy of the feed pump for each m3 of permeate, kWh/m3.
    SpecificEnergy,
    /// Raw water for each m3 of permeate, m3/m3.
    WaterUsed,
    /// What each m3 of permeate costs: energy, water, the arm's own treatment, its cleanings.
    Cost,
}

/// What of its course a measure is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Kind {
    /// A rate, with the sign that makes more of it worse.
    Rate(f64),
    /// The mean over an arm, as a logarithm.
    Mean,
    /// Of whole runs.
    Runs,
}

impl Measure {
    /// All, in order.
    pub const ALL: [Self; 8] = [
        Self::FoulingRate,
        Self::PressureRise,
        Self::SaltPassage,
        Self::DifferentialPressure,
        Self::DaysBetweenCleanings,
        Self::SpecificEnergy,
        Self::WaterUsed,
        Self::Cost,
    ];

    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Self::FoulingRate => "fouling_rate",
            Self::PressureRise => "pressure_rise",
            Self::SaltPassage => "salt_passage",
            Self::DifferentialPressure => "differential_pressure",
            Self::DaysBetweenCleanings => "days_between_cleanings",
            Self::SpecificEnergy => "specific_energy",
            Self::WaterUsed => "water_used",
            Self::Cost => "cost",
        }
    }

    /// The unit of an arm's own figure.
    pub fn unit(self) -> &'static str {
        match self {
            Self::FoulingRate | Self::PressureRise => "1/y",
            Self::SaltPassage | Self::DifferentialPressure => "",
            Self::DaysBetweenCleanings => "d",
            Self::SpecificEnergy => "kWh/m3",
            Self::WaterUsed => "m3/m3",
            Self::Cost => "per m3",
        }
    }

    /// What of its course it is.
    pub fn kind(self) -> Kind {
        match self {
            Self::FoulingRate => Kind::Rate(-1.0),
            Self::PressureRise => Kind::Rate(1.0),
            Self::DaysBetweenCleanings => Kind::Runs,
            _ => Kind::Mean,
        }
    }

    /// The quantity of a trend that it is of, where it is one.
    pub fn quantity(self) -> Option<Quantity> {
        match self {
            Self::FoulingRate => Some(Quantity::WaterPermeability),
            Self::PressureRise | Self::DifferentialPressure => Some(Quantity::PressureDrop),
            Self::SaltPassage => Some(Quantity::SaltPermeability),
            _ => None,
        }
    }
}
