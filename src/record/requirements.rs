//! What the record-keeping standard asks for, as data.

use crate::log::Column;

/// A part of the record.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Section {
    /// Written once, when the unit is new.
    StartUp,
    /// The readings of the unit.
    Readings,
    /// What comes before the membranes.
    Pretreatment,
    /// What was done to the unit.
    Maintenance,
}

impl Section {
    /// All of them, in order.
    pub const ALL: [Self; 4] = [
        Self::StartUp,
        Self::Readings,
        Self::Pretreatment,
        Self::Maintenance,
    ];

    /// Its heading.
    pub fn name(self) -> &'static str {
        match self {
            Self::StartUp => "start-up report",
            Self::Readings => "readings of the unit",
            Self::Pretreatment => "pretreatment",
            Self::Maintenance => "maintenance",
        }
    }
}

/// How often something shall be written down.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Often {
    /// At least once a shift, taken as 8 h (common practice, no source).
    Shift,
    /// Twice a day.
    HalfDay,
    /// Once a day.
    Day,
    /// Once a week.
    Week,
    /// About every three months.
    Quarter,
    /// At the start-up.
    StartUp,
    /// Whenever it happens.
    AsItHappens,
    /// The standard says; it is not remembered.
    Unstated,
}

impl Often {
    /// Its words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Shift => "at least once a shift",
            Self::HalfDay => "twice a day",
            Self::Day => "once a day",
            Self::Week => "once a week",
            Self::Quarter => "about every three months",
            Self::StartUp => "at the start-up",
            Self::AsItHappens => "whenever it happens",
            Self::Unstated => "regularly; how often is not remembered",
        }
    }

    /// Its length in hours, where readings of a log can be counted by it.
    pub fn hours(self) -> Option<f64> {
        match self {
            Self::Shift => Some(8.0),
            Self::HalfDay => Some(12.0),
            Self::Day => Some(24.0),
            Self::Week => Some(168.0),
            _ => None,
        }
    }
}

/// Something to be written down.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Requirement {
    /// The part of the record it stands in.
    pub section: Section,
    /// What, in the trade's words.
    pub quantity: &'static str,
    /// Its unit on a sheet, where it is no column of a log.
    pub unit: &'static str,
    /// The columns of a log that tell it, any of these sets; none: it is no column.
    pub ways: &'static [&'static [Column]],
    /// The input of the analyses that rests on it.
    pub input: Option<Column>,
    /// How often.
    pub often: Often,
    /// Whether it is asked of each stage.
    pub per_stage: bool,
    /// Where that comes from.
    pub source: &'static str,
    /// What can't be told without it.
    pub loss: &'static str,
}

const RESTATED: &str = "ASTM D4472, as restated by others; not seen first-hand";
const MEMORY: &str = "ASTM D4472, from memory";

const fn reading(
    quantity: &'static str,
    ways: &'static [&'static [Column]],
    input: Option<Column>,
    source: &'static str,
    loss: &'static str,
) -> Requirement {
    Requirement {
        section: Section::Readings,
        quantity,
        unit: "",
        ways,
        input,
        often: Often::Shift,
        per_stage: true,
        source,
        loss,
    }
}

const fn written(
    section: Section,
    quantity: &'static str,
    unit: &'static str,
    often: Often,
    source: &'static str,
    loss: &'static str,
) -> Requirement {
    Requirement {
        section,
        quantity,
        unit,
        ways: &[],
        input: None,
        often,
        per_stage: false,
        source,
        loss,
    }
}

use Column::*;

/// The calibration of the meters, which the site file tells of.
pub const CALIBRATION: &str = "calibration of the meters";

/// All that is asked.
pub static REQUIREMENTS: &[Requirement] = &[
    written(
        Section::StartUp,
        "start-up report: elements by serial number and place, and the first stabilised readings",
        "",
        Often::StartUp,
        RESTATED,
        "A baseline can't be held against what was put in: whether the membranes were ever as good as their data sheet stays open.",
    ),
    Requirement {
        per_stage: false,
        ..reading(
            "hours run, or whether the unit runs",
            &[&[Running]],
            None,
            RESTATED,
            "Rows of a stopped unit are set aside only where their flows or pressures show it, and running time is taken as the time between rows.",
        )
    },
    reading(
        "feed pressure",
        &[&[FeedPressure]],
        Some(FeedPressure),
        RESTATED,
        "There is no net driving pressure without it, and so nothing like for like.",
    ),
    reading(
        "concentrate pressure, or pressure drop",
        &[
            &[DifferentialPressure],
            &[FeedPressure, ConcentratePressure],
        ],
        Some(DifferentialPressure),
        RESTATED,
        "A pressure drop that isn't measured can't be normalised, so a feed channel that fills up isn't seen, nor can scaling in the tail be told from fouling in the lead.",
    ),
    reading(
        "permeate pressure",
        &[&[PermeatePressure]],
        Some(PermeatePressure),
        RESTATED,
        "A valve or a tank that pushes back on the permeate looks like membranes that lost flow.",
    ),
    reading(
        "permeate flow",
        &[&[PermeateFlow], &[FeedFlow, ConcentrateFlow]],
        Some(PermeateFlow),
        RESTATED,
        "Every figure that is like for like rests on it.",
    ),
    reading(
        "concentrate flow, or feed flow",
        &[&[ConcentrateFlow], &[FeedFlow]],
        Some(FeedFlow),
        RESTATED,
        "Recovery, and with it the salt that the membranes see along the feed side, isn't known.",
    ),
    reading(
        "feed conductivity, or salt content",
        &[&[FeedConductivity], &[FeedTds]],
        Some(FeedTds),
        RESTATED,
        "Salt passage is against the feed, and the feed's osmotic pressure is part of net driving pressure.",
    ),
    reading(
        "permeate conductivity, or salt content",
        &[&[PermeateConductivity], &[PermeateTds]],
        Some(PermeateTds),
        RESTATED,
        "Salt passage and rejection aren't known: damaged membranes or seals aren't seen.",
    ),
    reading(
        "concentrate conductivity, or salt content",
        &[&[ConcentrateConductivity], &[ConcentrateTds]],
        None,
        RESTATED,
        "A salt balance, which finds a wrong meter, can't be drawn, and nothing stands in for the feed's salt where that is missing.",
    ),
    written(
        Section::Readings,
        "permeate conductivity of each vessel",
        "uS/cm",
        Often::Week,
        RESTATED,
        "A leak in one vessel is thinned by the others: where salt passage rises, the vessel it comes from can't be named.",
    ),
    Requirement {
        per_stage: false,
        ..reading(
            "feed temperature",
            &[&[FeedTemperature]],
            Some(FeedTemperature),
            MEMORY,
            "Cold water can't be told from membranes that lost flow.",
        )
    },
    Requirement {
        per_stage: false,
        ..reading(
            "feed pH",
            &[&[FeedPh]],
            None,
            MEMORY,
            "No figure here rests on it; whether the water scales, or harmed the membranes, can't be looked up later.",
        )
    },
    written(
        Section::Readings,
        "saturation index of the concentrate (Langelier)",
        "",
        Often::Unstated,
        MEMORY,
        "No figure here rests on it; whether scale was to be expected can't be looked up later.",
    ),
    written(
        Section::Pretreatment,
        "pressure drop of the cartridge filter",
        "pressure",
        Often::Shift,
        RESTATED,
        "A clogged filter ahead of the feed gauge, or one that lets through, can't be found in the log.",
    ),
    written(
        Section::Pretreatment,
        "pressure drop of the other filters",
        "pressure",
        Often::HalfDay,
        MEMORY,
        "Fouling can't be set beside what the filters did.",
    ),
    written(
        Section::Pretreatment,
        "silt density index (15 min), or turbidity",
        "SDI, or NTU",
        Often::Unstated,
        MEMORY,
        "Fouling can't be set beside the water that brought it.",
    ),
    written(
        Section::Pretreatment,
        "free chlorine ahead of the membranes",
        "mg/L",
        Often::Day,
        MEMORY,
        "An oxidant that harms the membranes isn't known until salt passage has risen.",
    ),
    written(
        Section::Pretreatment,
        "chemicals used, each with its amount",
        "",
        Often::Day,
        MEMORY,
        "Dosing that stopped or ran over can't be set beside a change of the membranes.",
    ),
    written(
        Section::Maintenance,
        CALIBRATION,
        "",
        Often::Quarter,
        MEMORY,
        "A meter that drifted looks like membranes that changed; without a date, what it is off by is taken as the same in both periods.",
    ),
    written(
        Section::Maintenance,
        "full analysis of feed, permeate and concentrate",
        "",
        Often::Quarter,
        MEMORY,
        "What the salt is, and so its osmotic pressure and how conductivity tells its amount, is taken as unchanged.",
    ),
    written(
        Section::Maintenance,
        "cleanings: agent, strength, pH, temperature, flow, duration",
        "",
        Often::AsItHappens,
        MEMORY,
        "A step in the figures has no cause beside it, and what a cleaning gained can't be told from other changes.",
    ),
    written(
        Section::Maintenance,
        "elements replaced or moved, by serial number and place; failures",
        "",
        Often::AsItHappens,
        MEMORY,
        "New membranes are compared with a baseline that is not theirs.",
    ),
];
