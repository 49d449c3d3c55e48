//! Stretches of a day.

use serde::Serialize;

use crate::error::{Fault, Faults};

/// Minutes of a day.
pub const MINUTES: usize = 1440;

/// A part of the day that draws evenly.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Stretch {
    /// Its first minute, from midnight.
    pub from: usize,
    /// The minute it ends with, not in it.
    pub to: usize,
    /// Of the day's total.
    pub share: f64,
}

impl Stretch {
    /// How long it is.
    pub fn minutes(&self) -> usize {
        self.to - self.from
    }
}

/// A minute from midnight as a clock shows it.
///
/// ```
/// assert_eq!(brinemark::sizing::clock(450), "07:30");
/// ```
pub fn clock(minute: usize) -> String {
    format!("{:02}:{:02}", minute / 60, minute % 60)
}

/// "06:00-09:00" as minutes from midnight, in two parts where it goes over midnight.
pub(super) fn parts(text: &str) -> Option<Vec<(usize, usize)>> {
    let (from, to) = text.split_once('-')?;
    let (from, to) = (minute(from)?, minute(to)?);
    if from < to {
        return Some(vec![(from, to)]);
    }
    let over_midnight: Vec<_> = [(from, MINUTES), (0, to)]
        .into_iter()
        .filter(|(from, to)| from < to)
        .collect();
    (from > to && !over_midnight.is_empty()).then_some(over_midnight)
}

fn minute(text: &str) -> Option<usize> {
    let (hour, minute) = text.trim().split_once(':')?;
    let digits = |text: &str| text.len() == 2 && text.bytes().all(|byte| byte.is_ascii_digit());
    if !digits(hour) || !digits(minute) {
        return None;
    }
    let (hour, minute): (usize, usize) = (hour.parse().ok()?, minute.parse().ok()?);
    (minute < 60 && hour * 60 + minute <= MINUTES).then_some(hour * 60 + minute)
}

/// Complains of the first minute that is in two of these.
pub(super) fn apart(parts: &[(usize, usize)], place: &str, faults: &mut Faults) {
    let mut sorted = parts.to_vec();
    sorted.sort_unstable();
    if let Some(pair) = sorted.windows(2).find(|pair| pair[1].0 < pair[0].1) {
        faults.push(
            Fault::new(
                format!("{} is in two stretches", clock(pair[1].0)),
                "each minute in one at most",
            )
            .at_column(place),
        );
    }
}
