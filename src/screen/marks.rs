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
    pub usual: &'a OfGroup,
    pub site: &'a Site,
}

impl Seen<'_> {
    /// Whether a row has a reading of a running unit.
    #[inline]
    pub fn knows(&self, values: &[f64], row: usize) -> bool {
        self.running[row] && !values[row].is_nan()
    }

    /// The least and the greatest of some rows, where every one has a reading of a running unit.
    pub fn extent(&self, values: &[f64], rows: Range<usize>) -> Option<(f64, f64)> {
        if self.running[rows.clone()].contains(&false) {
            return None;
        }
        extent(&values[rows])
    }
}

/// The least and the greatest, where none is missing.
fn extent(values: &[f64]) -> Option<(f64, f64)> {
    // Some at a time, so that the loop becomes vector instructions.
    const LANES: usize = 8;
    let (mut low, mut high) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
    let mut missing = [false; LANES];
    let mut take = |values: &[f64]| {
        for (i, value) in values.iter().enumerate().take(LANES) {
            low[i] = if *value < low[i] { *value } else { low[i] };
            high[i] = if *value > high[i] { *value } else { high[i] };
            missing[i] |= value.is_nan();
        }
    };
    let (whole, rest) = values.as_chunks::<LANES>();
    whole.iter().for_each(|values| take(values));
    take(rest);
    let none_missing = !missing.contains(&true);
    none_missing.then(|| {
        (
            low.into_iter().fold(f64::INFINITY, f64::min),
            high.into_iter().fold(f64::NEG_INFINITY, f64::max),
        )
    })
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

    /// A test passes in some rows.
    pub fn pass(&mut self, test: Reasons, rows: Range<usize>) {
        let start = self.rows.start;
        for judged in &mut self.judged[rows.start - start..rows.end - start] {
            *judged |= test;
        }
    }

    /// A test of each reading of a running unit.
    #[inline]
    pub fn judge_each(
        &mut self,
        test: Reasons,
        seen: &Seen<'_>,
        values: &[f64],
        fails: impl Fn(f64) -> bool,
    ) {
        self.judge_pairs(test, seen, values, values, |value, _| fails(value));
    }

    /// A test of two readings of each row of a running unit.
    #[inline]
    pub fn judge_pairs(
        &mut self,
        test: Reasons,
        seen: &Seen<'_>,
        first: &[f64],
        second: &[f64],
        fails: impl Fn(f64, f64) -> bool,
    ) {
        let pairs = first[self.rows.clone()]
            .iter()
            .zip(&second[self.rows.clone()]);
        let given = seen.running[self.rows.clone()].iter().zip(pairs);
        let marks = self.judged.iter_mut().zip(&mut *self.failed);
        // Without a branch, so that the loop becomes vector instructions.
        for ((judged, failed), (running, (first, second))) in marks.zip(given) {
            let applies = *running & !first.is_nan() & !second.is_nan();
            *judged |= where_true(test, applies);
            *failed |= where_true(test, applies & fails(*first, *second));
        }
    }
}

#[inline]
fn where_true(test: Reasons, is: bool) -> Reasons {
    if is { test } else { Reasons::empty() }
}
