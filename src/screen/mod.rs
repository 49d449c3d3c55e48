//! Which readings can be trusted, and why a reading was set aside: one bit a reason. Every row of the log comes back.
//!
//! [`screen`] looks at every reading and its neighbours (`time`: was the unit running, and settled; `single`: one
//! instrument by itself; `joint`: several that must agree), and at each instrument over months ([`crate::sensors`]). Each
//! test passes, fails, or does not apply. What is usual for a train and stage is found once ([`Usual`]) and can be
//! kept: given that, a row needs only its neighbours, so that a log may be cut into blocks ([`Blocks`]).

mod blocks;
mod joint;
mod marks;
mod readings;
mod run;
mod settings;
mod single;
mod swing;
mod time;
mod usual;
mod visits;

pub use blocks::Blocks;
pub use run::{Chosen, Screened, TestCount, screen};
pub use settings::{ScreenSettings, Span};
pub use swing::Swing;
pub use usual::{OfGroup, Usual};

pub(crate) use readings::Readings;
pub(crate) use usual::rows_of_groups;

bitflags::bitflags! {
    /// The reasons for which a reading, or one figure of it, was not computed.
    #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default)]
    pub struct Reasons: u32 {
        /// The log says that the unit was not running.
        const NOT_RUNNING = 1;
        /// A figure that permeate flow needs is missing.
        const MISSING = 1 << 1;
        /// Permeate flow is zero or below.
        const NO_PERMEATE_FLOW = 1 << 2;
        /// Permeate flow is not below feed flow, or a flow is below zero.
        const IMPOSSIBLE_FLOWS = 1 << 3;
        /// Feed salt is zero or below, or permeate salt is below zero.
        const IMPOSSIBLE_SALT = 1 << 4;
        /// The temperature is outside the range of the temperature law.
        const TEMPERATURE_OUT_OF_RANGE = 1 << 5;
        /// The concentration is outside the range of the osmotic pressure, or conductivity outside that of its curve.
        const SALT_OUT_OF_RANGE = 1 << 6;
        /// Net driving pressure is zero or below.
        const NO_DRIVING_PRESSURE = 1 << 7;
        /// Differential pressure is below zero.
        const NEGATIVE_DIFFERENTIAL_PRESSURE = 1 << 8;
        /// No membrane of the model explains the reading.
        const NO_MEMBRANE = 1 << 9;
        /// The unit had started too short a time before.
        const STARTING = 1 << 10;
        /// The log has a gap just before, after which nothing tells whether the unit had settled.
        const AFTER_GAP = 1 << 11;
        /// The unit was being flushed: little pressure, much concentrate.
        const FLUSHING = 1 << 12;
        /// A reading at the end of its instrument's range, or beyond.
        const OUT_OF_INSTRUMENT_RANGE = 1 << 13;
        /// A reading that no such quantity can have.
        const IMPOSSIBLE_READING = 1 << 14;
        /// Permeate saltier than feed.
        const PERMEATE_SALTIER = 1 << 15;
        /// An instrument that shows the same figure for too long.
        const STUCK = 1 << 16;
        /// A reading far from those before and after it.
        const SPIKE = 1 << 17;
        /// An instrument that has stepped or drifts, by what the others tell.
        const SENSOR_STEP = 1 << 18;
        /// Feed is not permeate and concentrate, as it usually is.
        const WATER_BALANCE = 1 << 19;
        /// Salt in the feed is not that of permeate and concentrate, as it usually is.
        const SALT_BALANCE = 1 << 20;
        /// Pressures in an order that water can't flow in.
        const PRESSURE_ORDER = 1 << 21;
        /// Two readings of one time.
        const DUPLICATE = 1 << 22;
        /// The unit was being changed.
        const UNSTEADY = 1 << 23;
        /// A reading outside the limits of the site.
        const OUTSIDE_LIMITS = 1 << 24;
        /// Set aside by the user.
        const BY_USER = 1 << 25;
    }
}

impl Reasons {
    /// Those that take one figure of a reading and leave the others.
    pub const OF_ONE_FIGURE: Self = Self::NEGATIVE_DIFFERENTIAL_PRESSURE.union(Self::NO_MEMBRANE);

    /// Each reason and its words.
    pub const WORDS: [(Self, &'static str); 26] = [
        (Self::NOT_RUNNING, "not running"),
        (Self::MISSING, "a needed reading is missing"),
        (Self::NO_PERMEATE_FLOW, "no permeate flow"),
        (
            Self::IMPOSSIBLE_FLOWS,
            "flows that can't be: permeate not below feed, or a flow below zero",
        ),
        (
            Self::IMPOSSIBLE_SALT,
            "salt content that can't be: none in the feed, or below zero",
        ),
        (
            Self::TEMPERATURE_OUT_OF_RANGE,
            "temperature outside the temperature law's range",
        ),
        (
            Self::SALT_OUT_OF_RANGE,
            "salt content outside the range of the osmotic pressure or of the conductivity's curve",
        ),
        (Self::NO_DRIVING_PRESSURE, "no net driving pressure"),
        (
            Self::NEGATIVE_DIFFERENTIAL_PRESSURE,
            "differential pressure below zero",
        ),
        (
            Self::NO_MEMBRANE,
            "no membrane of the model explains the reading",
        ),
        (Self::STARTING, "starting: not settled yet"),
        (Self::AFTER_GAP, "just after a gap in the log"),
        (Self::FLUSHING, "flushing"),
        (
            Self::OUT_OF_INSTRUMENT_RANGE,
            "an instrument at the end of its range",
        ),
        (Self::IMPOSSIBLE_READING, "a reading that can't be"),
        (Self::PERMEATE_SALTIER, "permeate saltier than feed"),
        (Self::STUCK, "an instrument stuck at one figure"),
        (Self::SPIKE, "a spike"),
        (Self::SENSOR_STEP, "an instrument that stepped or drifts"),
        (Self::WATER_BALANCE, "water balance off"),
        (Self::SALT_BALANCE, "salt balance off"),
        (Self::PRESSURE_ORDER, "pressures in an order that can't be"),
        (Self::DUPLICATE, "two readings of one time"),
        (Self::UNSTEADY, "unsteady"),
        (Self::OUTSIDE_LIMITS, "outside the site's limits"),
        (Self::BY_USER, "set aside by the user"),
    ];

    /// The tests of the screening, by the names under which the site file and Python know them.
    pub const TESTS: [(Self, &'static str); 18] = [
        (Self::NOT_RUNNING, "running"),
        (Self::STARTING, "starting"),
        (Self::AFTER_GAP, "gap"),
        (Self::FLUSHING, "flushing"),
        (Self::UNSTEADY, "steady"),
        (Self::DUPLICATE, "duplicate"),
        (Self::OUT_OF_INSTRUMENT_RANGE, "instrument-range"),
        (Self::IMPOSSIBLE_READING, "possible"),
        (Self::STUCK, "stuck"),
        (Self::SPIKE, "spike"),
        (Self::SENSOR_STEP, "sensor-step"),
        (Self::IMPOSSIBLE_FLOWS, "flows"),
        (Self::PERMEATE_SALTIER, "permeate-saltier"),
        (Self::WATER_BALANCE, "water-balance"),
        (Self::SALT_BALANCE, "salt-balance"),
        (Self::PRESSURE_ORDER, "pressure-order"),
        (Self::OUTSIDE_LIMITS, "limits"),
        (Self::BY_USER, "user"),
    ];

    /// The test of this name.
    pub fn test_named(name: &str) -> Option<Self> {
        Self::TESTS
            .iter()
            .find(|(_, known)| *known == name)
            .map(|(test, _)| *test)
    }

    /// The reasons in words; empty where the reading was used.
    pub fn words(self) -> String {
        let words: Vec<&str> = Self::WORDS
            .iter()
            .filter(|(reason, _)| self.contains(*reason))
            .map(|(_, words)| *words)
            .collect();
        words.join("; ")
    }
}
