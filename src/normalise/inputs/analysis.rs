//! What can be computed from a log, and what each needs.

use serde::Serialize;

use crate::log::Column;

/// Something to be computed from a log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Analysis {
    /// Permeate flow and water permeability, like for like.
    PermeateFlow,
    /// Salt passage, rejection and salt permeability, like for like.
    SaltPassage,
    /// Differential pressure, like for like.
    DifferentialPressure,
    /// The elements' permeabilities and spacer friction, by the membrane model.
    MembraneModel,
}

impl Analysis {
    /// All of them.
    pub const ALL: [Self; 4] = [
        Self::PermeateFlow,
        Self::SaltPassage,
        Self::DifferentialPressure,
        Self::MembraneModel,
    ];

    /// Its name.
    pub fn name(self) -> &'static str {
        match self {
            Self::PermeateFlow => "permeate_flow",
            Self::SaltPassage => "salt_passage",
            Self::DifferentialPressure => "differential_pressure",
            Self::MembraneModel => "membrane_model",
        }
    }

    /// The analysis of this name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL
            .into_iter()
            .find(|analysis| analysis.name() == name)
    }

    /// The columns it needs, measured or derived; those in the second list may also be assumed.
    ///
    /// Every analysis needs net driving pressure, and so all that goes into it.
    pub fn needs(self) -> (&'static [Column], &'static [Column]) {
        const ALWAYS: &[Column] = &[Column::PermeateFlow];
        const ASSUMABLE: &[Column] = &[
            Column::FeedTemperature,
            Column::FeedPressure,
            Column::DifferentialPressure,
            Column::PermeatePressure,
            Column::FeedFlow,
            Column::FeedTds,
            Column::PermeateTds,
        ];
        match self {
            Self::PermeateFlow => (ALWAYS, ASSUMABLE),
            Self::SaltPassage => (&[Column::PermeateFlow, Column::PermeateTds], ASSUMABLE),
            Self::DifferentialPressure => (
                &[Column::PermeateFlow, Column::DifferentialPressure],
                ASSUMABLE,
            ),
            // Where differential pressure is assumed, spacer friction is what the assumption makes it.
            Self::MembraneModel => (&[Column::PermeateFlow, Column::PermeateTds], ASSUMABLE),
        }
    }
}
