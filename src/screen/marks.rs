//! What the tests find of some rows: one bit a test.

use std::ops::Range;

use super::Reasons;
use super::readings::Readings;
use super::usual::OfGroup;
use crate::site::Site;

/// Rows judged at a time: their readings and marks fit a processor's nearest cache, and threads share them out.
pub(super) const PIECE: usize = 2048;
/// Rows of a piece that a quick look may find to be nothing out of the common.
const BLOCK: usize = 64;

/// What the tests look at: all rows of one train and stage.
pub(super) struct Seen<'a> {
    pub readings: &'a Readings<'a>,
    /// Whether the unit ran.
    pub running: &'a [bool],
    /// Which rows are visits, where any is.
    pub visits: Option<&'a [bool]>,
    pub usual: &'a OfGroup,
    pub site: &'a Site,
}

impl Seen<'_> {
    /// Whether a row has a reading of a running unit.
    #[inline]
    pub fn knows(&self, values: &[f64], row: usize) -> bool {
        self.running[row] && !values[row].is_nan()
    }

    /// Whether a row is a visit, in a log of a quicker pace.
    #[inline]
    pub fn is_visit(&self, row: usize) -> bool {
        self.visits.is_some_and(|visits| visits[row])
    }

    /// Whether any of some rows is one.
    #[inline]
    pub fn has_visits(&self, rows: Range<usize>) -> bool {
        self.visits
            .is_some_and(|visits| visits[rows].contains(&true))
    }

    /// Whether the unit ran in all of some rows.
    #[inline(always)]
    pub fn ran(&self, rows: Range<usize>) -> bool {
        let mut ran = true;
        for running in &self.running[rows] {
            ran &= *running;
        }
        ran
    }
}

/// The least and the greatest, where none is missing.
#[inline(always)]
pub(super) fn extent(values: &[f64]) -> Option<(f64, f64)> {
    // Some at a time, so that the loop becomes vector instructions.
    const LANES: usize = 8;
    let (mut low, mut high) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
    let mut missing = [false; LANES];
    // The last ones may be looked at twice, which changes nothing.
    let last = values.last_chunk::<LANES>();
    let (whole, rest) = values.as_chunks::<LANES>();
    for values in whole.iter().chain(last) {
        for i in 0..LANES {
            low[i] = if values[i] < low[i] {
                values[i]
            } else {
                low[i]
            };
            high[i] = if values[i] > high[i] {
                values[i]
            } else {
                high[i]
            };
            missing[i] |= values[i].is_nan();
        }
    }
    if last.is_none() {
        for (i, value) in rest.iter().enumerate() {
            (low[i], high[i], missing[i]) = (*value, *value, value.is_nan());
        }
    }
    let (mut least, mut greatest, mut any_missing) = (low[0], high[0], missing[0]);
    for i in 1..LANES {
        least = if low[i] < least { low[i] } else { least };
        greatest = if high[i] > greatest {
            high[i]
        } else {
            greatest
        };
        any_missing |= missing[i];
    }
    (!any_missing).then_some((least, greatest))
}

/// Marks of some rows of one train and stage.
pub(super) struct Marks<'a> {
    /// Which rows.
    pub rows: Range<usize>,
    /// Tests that fail.
    pub failed: &'a mut [Reasons],
    /// Tests that apply.
    pub judged: &'a mut [Reasons],
}

impl Marks<'_> {
    /// Some of the rows after the other.
    pub fn blocks(&self) -> impl Iterator<Item = Range<usize>> + use<> {
        let end = self.rows.end;
        let starts = self.rows.clone().step_by(BLOCK);
        starts.map(move |start| start..(start + BLOCK).min(end))
    }

    /// A test applies to a row, and fails there or not.
    #[inline]
    pub fn judge(&mut self, test: Reasons, row: usize, fails: bool) {
        let at = row - self.rows.start;
        self.judged[at] |= test;
        if fails {
            self.failed[at] |= test;
        }
    }

    /// Tests pass in some rows.
    #[inline(always)]
    pub fn pass(&mut self, tests: Reasons, rows: Range<usize>) {
        let start = self.rows.start;
        for judged in &mut self.judged[rows.start - start..rows.end - start] {
            *judged |= tests;
        }
    }

    /// A test of each reading of a running unit, in some rows.
    #[inline(always)]
    pub fn judge_each(
        &mut self,
        test: Reasons,
        seen: &Seen<'_>,
        rows: Range<usize>,
        values: &[f64],
        fails: impl Fn(f64) -> bool,
    ) {
        self.judge_pairs(test, seen, rows, (values, values), |value, _| fails(value));
    }

    /// A test of two readings of each row of a running unit, in some rows.
    #[inline(always)]
    pub fn judge_pairs(
        &mut self,
        test: Reasons,
        seen: &Seen<'_>,
        rows: Range<usize>,
        (first, second): (&[f64], &[f64]),
        fails: impl Fn(f64, f64) -> bool,
    ) {
        let start = self.rows.start;
        let at = rows.start - start..rows.end - start;
        let (judged, failed) = (&mut self.judged[at.clone()], &mut self.failed[at]);
        let running = &seen.running[rows.clone()];
        let (first, second) = (&first[rows.clone()], &second[rows]);
        // Without a branch, so that the loop becomes vector instructions.
        for i in 0..judged.len() {
            let applies = running[i] & !first[i].is_nan() & !second[i].is_nan();
            judged[i] |= where_true(test, applies);
            failed[i] |= where_true(test, applies & fails(first[i], second[i]));
        }
    }
}

#[inline(always)]
pub(super) fn where_true(test: Reasons, is: bool) -> Reasons {
    if is { test } else { Reasons::empty() }
}
