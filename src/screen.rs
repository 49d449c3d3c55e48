//! Why a reading was set aside, one bit a reason. Every row of the log comes back with its reasons.

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
    }
}

impl Reasons {
    /// Those that take one figure of a reading and leave the others.
    pub const OF_ONE_FIGURE: Self = Self::NEGATIVE_DIFFERENTIAL_PRESSURE.union(Self::NO_MEMBRANE);

    /// Each reason and its words.
    pub const WORDS: [(Self, &'static str); 10] = [
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
    ];

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
