//! The gauges by which a unit is set: what can be set at all, and how far off the truth that then is.

use crate::log::Column;
use crate::site::{Accuracy, Site};
use crate::units::Unit;

/// The gauge or meter by which something is set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gauge {
    /// What it shows.
    pub column: Column,
    /// The unit it shows it in.
    pub unit: &'static Unit,
    /// The least step it shows, canonical; `None`: not told, and taken as settable to any figure.
    pub resolution: Option<f64>,
    /// How far it may be off; `None`: not told, and taken as exact.
    pub accuracy: Option<Accuracy>,
}

impl Gauge {
    /// That of a column, by the site file.
    pub fn of(site: &Site, column: Column) -> Self {
        let instrument = site.instruments.get(&column);
        Self {
            column,
            unit: site.unit_of(column),
            resolution: instrument
                .and_then(|known| known.resolution)
                .filter(|step| *step > 0.0),
            accuracy: instrument.and_then(|known| known.accuracy),
        }
    }

    /// The nearest figure that it shows.
    pub fn nearest(&self, value: f64) -> f64 {
        self.shown(value, f64::round)
    }

    /// The next figure from here up that it shows.
    pub fn above(&self, value: f64) -> f64 {
        self.shown(value, |steps| (steps - SLIP).ceil())
    }

    /// The next figure from here down that it shows.
    pub fn below(&self, value: f64) -> f64 {
        self.shown(value, |steps| (steps + SLIP).floor())
    }

    /// How far the truth may lie from where the gauge is set, either way: what it is off by, and half the step between two
    /// of its marks, to which a person sets it.
    pub fn doubt(&self, at: f64) -> f64 {
        self.accuracy.map_or(0.0, |accuracy| accuracy.at(at)) + 0.5 * self.resolution.unwrap_or(0.0)
    }

    /// Steps are counted in the gauge's own unit, from its zero.
    fn shown(&self, value: f64, round: impl Fn(f64) -> f64) -> f64 {
        let Some(step) = self.resolution else {
            return value;
        };
        let step = self.unit.difference_from_canonical(step);
        let steps = self.unit.from_canonical(value) / step;
        self.unit.to_canonical(round(steps) * step)
    }
}

/// A share of a step by which rounding alone may have missed a mark.
const SLIP: f64 = 1e-9;

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn gauge(resolution: Option<f64>) -> Gauge {
        Gauge {
            column: Column::ConcentrateFlow,
            unit: Unit::parse("gpm").unwrap(),
            resolution,
            accuracy: Accuracy::parse("2 % of 5 gpm", crate::units::Quantity::Flow).ok(),
        }
    }

    proptest! {
        #[test]
        fn what_is_set_stands_on_a_mark(value in 0.0..50.0f64, step in 0.01..2.0f64) {
            let gauge = gauge(Some(step));
            let (below, above) = (gauge.below(value), gauge.above(value));
            prop_assert!(below <= value * (1.0 + 1e-9) + 1e-9 && value <= above * (1.0 + 1e-9) + 1e-9);
            prop_assert!(above - below <= step * (1.0 + 1e-6));
            for shown in [below, above, gauge.nearest(value)] {
                let steps = shown / step;
                prop_assert!((steps - steps.round()).abs() < 1e-6);
                prop_assert!((gauge.above(shown) - shown).abs() < 1e-6 * step);
                prop_assert!((gauge.below(shown) - shown).abs() < 1e-6 * step);
            }
        }
    }

    #[test]
    fn a_gauge_of_which_nothing_is_told_is_exact() {
        let plain = Gauge {
            accuracy: None,
            ..gauge(None)
        };
        assert_eq!((plain.above(1.234), plain.doubt(1.234)), (1.234, 0.0));
        // 2 % of 5 gpm, and half of 0.1 gpm.
        let gpm = plain.unit.difference_to_canonical(1.0);
        let found = gauge(Some(0.1 * gpm)).doubt(1.0 * gpm);
        assert!((found / gpm - 0.15).abs() < 1e-12);
    }
}
