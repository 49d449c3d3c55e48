//! Visits: readings that somebody came for, in a log that was otherwise read at a quicker pace.
//!
//! A unit may be logged by the hour while it starts up, and be visited now and then for years. What such a log shows as a rule is the quick
//! pace; between two visits lies no gap in it, and what lies between is not known, so that no neighbour tells a spike.

use super::time::{GAP_STEPS, tells_starts};
use super::usual::OfGroup;
use crate::log::time::HOUR;
use crate::site::Site;

/// A visit has no more readings than this (common practice, no source). Fewer than the neighbours that a row is judged with.
const MOST: usize = 5;
/// It lies further than this from any reading before it and after it (common practice, no source), h.
const APART_H: f64 = 12.0;

/// Which of some times in order are of visits; `None` where none is, or the log's own pace is no quicker.
pub(super) fn visits(time: &[i64], usual: &OfGroup, site: &Site) -> Option<Vec<bool>> {
    if !tells_starts(usual, site.screen.settle_h) {
        return None;
    }
    let apart_us = (GAP_STEPS * usual.step_us as f64).max(APART_H * HOUR);
    let together = |a: &i64, b: &i64| b.saturating_sub(*a) as f64 <= apart_us;
    // Nearly every log goes on without a stop.
    if time.len() > MOST && time.windows(2).all(|pair| together(&pair[0], &pair[1])) {
        return None;
    }
    let mut are = Vec::with_capacity(time.len());
    for run in time.chunk_by(together) {
        are.resize(are.len() + run.len(), run.len() <= MOST);
    }
    are.contains(&true).then_some(are)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::TEMPLATE;

    fn of(hours: &[f64], step_h: f64) -> Option<Vec<bool>> {
        let usual = OfGroup {
            train: None,
            stage: None,
            step_us: (step_h * HOUR) as i64,
            readings: hours.len(),
            figures: Vec::new(),
            water: None,
            salt: None,
            swing: None,
        };
        let time: Vec<i64> = hours.iter().map(|h| (h * HOUR) as i64).collect();
        visits(&time, &usual, &Site::parse(TEMPLATE).expect("a site"))
    }

    #[test]
    fn a_visit_stands_alone() {
        let hourly: Vec<f64> = (0..48).map(f64::from).collect();
        // Three readings a fortnight later, and one a month after that.
        let visited = [&hourly[..], &[400.0, 400.1, 400.2, 1100.0]].concat();
        let found = of(&visited, 1.0).expect("visits");
        assert_eq!(found.iter().filter(|is| **is).count(), 4);
        assert!(found[48..].iter().all(|is| *is));
        // A logger that went on after a gap is no visit, nor is a log of visits alone, or by the day.
        let resumed: Vec<f64> = hourly
            .iter()
            .map(|h| h + if *h > 20.0 { 300.0 } else { 0.0 })
            .collect();
        assert_eq!(of(&resumed, 1.0), None);
        assert_eq!(of(&[0.0, 400.0, 800.0], 400.0), None);
        assert_eq!(of(&[0.0, 24.0, 48.0, 600.0], 24.0), None);
    }
}
