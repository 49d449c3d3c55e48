//! The columns of a result: their names, the analysis each belongs to, the unit in which it is shown.

use crate::log::{Column, Log};
use crate::units::{Quantity, Unit};

macro_rules! outputs {
    ($($variant:ident $name:literal $shown:ident $analysis:ident;)*) => {
        /// A column of a result.
        #[derive(Debug, Clone, Copy, PartialEq, Eq)]
        pub enum Output { $(#[doc = $name] $variant,)* }

        impl Output {
            /// Every output, in the order of a result's table.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// Its name.
            pub fn name(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }

            /// The output of this name.
            pub fn named(name: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|output| output.name() == name)
            }

            /// Whether it is a change against the reference.
            pub fn is_change(self) -> bool {
                self.name().ends_with("_change")
            }

            /// Whether it is one of the membrane model.
            pub(crate) fn is_of_model(self) -> bool {
                self.of() == For::Model
            }

            pub(super) fn shown(self) -> Shown {
                match self { $(Self::$variant => Shown::$shown,)* }
            }

            pub(super) fn of(self) -> For {
                match self { $(Self::$variant => For::$analysis,)* }
            }
        }
    };
}

/// In which unit an output is shown.
pub(super) enum Shown {
    Ratio,
    LikePermeateFlow,
    LikePressure,
    LikeSalt,
    Flux,
    WaterPermeability,
    SaltPermeability,
}

/// Which analysis an output belongs to.
#[derive(PartialEq)]
pub(super) enum For {
    Any,
    Recycle,
    Flow,
    Salt,
    Drop,
    Model,
}

outputs! {
    Recovery "recovery" Ratio Any;
    PassRecovery "pass_recovery" Ratio Recycle;
    MembraneInletTds "membrane_inlet_tds" LikeSalt Recycle;
    MeanFeedTds "mean_feed_tds" LikeSalt Any;
    NetDrivingPressure "net_driving_pressure" LikePressure Any;
    TemperatureFactor "temperature_factor" Ratio Any;
    Flux "flux" Flux Any;
    WaterPermeability "water_permeability" WaterPermeability Flow;
    NormalisedPermeateFlow "normalised_permeate_flow" LikePermeateFlow Flow;
    NormalisedPermeateFlowChange "normalised_permeate_flow_change" Ratio Flow;
    SaltPassage "salt_passage" Ratio Salt;
    Rejection "rejection" Ratio Salt;
    SaltPermeability "salt_permeability" SaltPermeability Salt;
    NormalisedSaltPassage "normalised_salt_passage" Ratio Salt;
    NormalisedSaltPassageChange "normalised_salt_passage_change" Ratio Salt;
    NormalisedSaltPassageAtNormalisedFlow "normalised_salt_passage_at_normalised_flow" Ratio Salt;
    NormalisedSaltPassageAtNormalisedFlowChange "normalised_salt_passage_at_normalised_flow_change" Ratio Salt;
    NormalisedRejection "normalised_rejection" Ratio Salt;
    NormalisedDifferentialPressure "normalised_differential_pressure" LikePressure Drop;
    NormalisedDifferentialPressureChange "normalised_differential_pressure_change" Ratio Drop;
    ElementWaterPermeability "element_water_permeability" WaterPermeability Model;
    ElementWaterPermeabilityChange "element_water_permeability_change" Ratio Model;
    ElementSaltPermeability "element_salt_permeability" SaltPermeability Model;
    ElementSaltPermeabilityChange "element_salt_permeability_change" Ratio Model;
    SpacerFriction "spacer_friction" Ratio Model;
    SpacerFrictionChange "spacer_friction_change" Ratio Model;
}

impl Output {
    /// The unit of its figures inside.
    pub fn canonical_unit(self) -> &'static Unit {
        let quantity = match self.shown() {
            Shown::Ratio => Quantity::Fraction,
            Shown::LikePermeateFlow => Quantity::Flow,
            Shown::LikePressure => Quantity::Pressure,
            Shown::LikeSalt => Quantity::Concentration,
            Shown::Flux | Shown::SaltPermeability => Quantity::Flux,
            Shown::WaterPermeability => Quantity::WaterPermeability,
        };
        quantity.canonical()
    }
}

/// The unit in which an output is shown: as the log shows its like.
pub(super) fn unit_of(output: Output, log: &Log) -> &'static Unit {
    let like = |quantity: Quantity, first: Column| {
        let series = log.get(first).or_else(|| {
            log.table
                .series
                .iter()
                .find(|series| series.unit.quantity == quantity)
        });
        series.map_or(quantity.canonical(), |series| series.unit)
    };
    let flow = like(Quantity::Flow, Column::PermeateFlow);
    match output.shown() {
        Shown::Ratio => Quantity::Fraction.canonical(),
        Shown::LikePermeateFlow => flow,
        Shown::LikePressure => like(Quantity::Pressure, Column::FeedPressure),
        Shown::LikeSalt => like(Quantity::Concentration, Column::FeedTds),
        Shown::Flux if ["gpm", "gpd", "MGD"].contains(&flow.word) => {
            Unit::parse("gfd").unwrap_or(Quantity::Flux.canonical())
        }
        Shown::Flux | Shown::SaltPermeability => Quantity::Flux.canonical(),
        Shown::WaterPermeability => Quantity::WaterPermeability.canonical(),
    }
}
