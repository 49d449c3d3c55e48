//! How strict the tests are. Every figure can be set in the site file's `[screen]`.

use serde::Serialize;

use super::Reasons;

/// Thresholds of the tests, which of them are made, and which only tell.
///
/// All defaults are common practice, no source, unless a source stands beside them.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ScreenSettings {
    /// How long after a start, or after a gap in the log, the unit is taken to settle, h.
    pub settle_h: f64,
    /// Feed pressure below this share of the usual, with more concentrate than usual, is flushing.
    pub flush_pressure: f64,
    /// An instrument is stuck where so long a run of one figure would come by chance with this probability in the whole log.
    pub stuck_chance: f64,
    /// A spike lies this many robust standard deviations from the readings before and after (Hampel's identifier takes
    /// 3: R. K. Pearson, IEEE Trans. Control Syst. Technol. 10 (2002) 55, from memory; a log has a million readings) …
    pub spike_deviations: f64,
    /// … and by this share of the usual figure (of a temperature: by one degree for each 5 %).
    pub spike_share: f64,
    /// How far a balance may leave its usual closure.
    pub balance: f64,
    /// How far feed pressure or permeate flow may move within the window, as a share.
    pub steady_share: f64,
    /// The window in which a unit is steady, h.
    pub steady_window_h: f64,
    /// A step or drift of an instrument beyond this share of its usual figure sets its readings aside.
    pub sensor_step: f64,
    /// How sure it must be that it is this instrument and no other, and no change of the membranes.
    pub sensor_certainty: f64,
    /// Tests that are not made.
    #[serde(serialize_with = "names")]
    pub off: Reasons,
    /// Tests whose failures are told and set no row aside.
    #[serde(serialize_with = "names")]
    pub tell: Reasons,
    /// Periods that the user sets aside.
    pub set_aside: Vec<Span>,
    /// Periods that the user keeps, whatever the tests say.
    pub keep: Vec<Span>,
}

impl Default for ScreenSettings {
    fn default() -> Self {
        Self {
            settle_h: 1.0,
            flush_pressure: 0.6,
            stuck_chance: 1e-4,
            spike_deviations: 8.0,
            spike_share: 0.05,
            balance: 0.05,
            steady_share: 0.05,
            steady_window_h: 0.5,
            sensor_step: 0.025,
            sensor_certainty: 0.9,
            off: Reasons::empty(),
            // A reading beyond a limit is a reading all the same.
            tell: Reasons::OUTSIDE_LIMITS,
            set_aside: Vec::new(),
            keep: Vec::new(),
        }
    }
}

/// A period, and why the user chose it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Span {
    /// From, µs since 1970 UTC.
    pub from_us: i64,
    /// Up to and with, µs since 1970 UTC.
    pub to_us: i64,
    /// In the user's words.
    pub why: String,
}

impl Span {
    /// Whether a time lies in it.
    pub fn holds(&self, time_us: i64) -> bool {
        (self.from_us..=self.to_us).contains(&time_us)
    }
}

fn names<S: serde::Serializer>(tests: &Reasons, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(
        Reasons::TESTS
            .iter()
            .filter(|(test, _)| tests.contains(*test))
            .map(|(_, name)| name),
    )
}
