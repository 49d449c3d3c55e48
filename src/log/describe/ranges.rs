//! Which figures are usual for a column, and so which unit a figure without one may be in.

use crate::log::Column;
use crate::units::{Quantity, Unit};

/// Where a column's figures usually lie, in the canonical unit of its quantity.
#[derive(Debug, Clone, Copy)]
pub(super) struct Range {
    /// Where most plants run.
    pub usual: (f64, f64),
    /// What some plant may show.
    pub possible: (f64, f64),
}

const fn range(usual: (f64, f64), possible: (f64, f64)) -> Range {
    Range { usual, possible }
}

/// Where the figures of `column` usually lie, for brackish to sea water and skids to large plants (common practice,
/// no source).
pub(super) fn range_of(column: Column) -> Option<Range> {
    Some(match column {
        Column::FeedPressure => range((4.0, 75.0), (3.0, 90.0)),
        Column::ConcentratePressure => range((3.5, 75.0), (2.5, 90.0)),
        Column::PermeatePressure => range((0.05, 3.0), (-0.5, 8.0)),
        Column::DifferentialPressure => range((0.2, 4.0), (0.02, 10.0)),
        Column::FeedConductivity => range((150.0, 60_000.0), (20.0, 90_000.0)),
        Column::PermeateConductivity => range((2.0, 900.0), (0.3, 5_000.0)),
        Column::ConcentrateConductivity => range((500.0, 100_000.0), (50.0, 150_000.0)),
        Column::FeedTds => range((80.0, 45_000.0), (10.0, 70_000.0)),
        Column::PermeateTds => range((1.0, 500.0), (0.1, 3_000.0)),
        Column::ConcentrateTds => range((250.0, 80_000.0), (20.0, 120_000.0)),
        _ => match column.quantity() {
            Quantity::Temperature => range((5.0, 35.0), (1.0, 45.0)),
            Quantity::Pressure => range((0.05, 75.0), (-0.5, 90.0)),
            Quantity::Flow => range((0.1, 2_000.0), (0.005, 20_000.0)),
            Quantity::Conductivity => range((2.0, 100_000.0), (0.3, 150_000.0)),
            Quantity::Concentration => range((1.0, 80_000.0), (0.1, 120_000.0)),
            Quantity::Acidity => range((4.0, 10.0), (2.0, 12.0)),
            _ => return None,
        },
    })
}

/// How likely figures are, read in a unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Plausible {
    Out,
    Possible,
    Usual,
}

/// The figures of a column while the unit ran: a tenth, half and nine tenths of them lie below.
#[derive(Debug, Clone, Copy)]
pub(super) struct Spread {
    pub low: f64,
    pub median: f64,
    pub high: f64,
}

impl Spread {
    /// The spread of the figures that are not zero: at standstill, flows and pressures are.
    pub fn of(figures: &[f64]) -> Option<Self> {
        let mut running: Vec<f64> = figures
            .iter()
            .copied()
            .filter(|value| value.is_finite() && *value != 0.0)
            .collect();
        running.sort_unstable_by(f64::total_cmp);
        let at = |share: f64| {
            let place = share * (running.len().saturating_sub(1)) as f64;
            running.get(place.round() as usize).copied()
        };
        Some(Self {
            low: at(0.1)?,
            median: at(0.5)?,
            high: at(0.9)?,
        })
    }

    /// How likely it is for `column`, read in `unit`.
    pub fn plausible(&self, column: Column, unit: &Unit) -> Plausible {
        let Some(range) = range_of(column) else {
            return Plausible::Possible;
        };
        let [low, median, high] =
            [self.low, self.median, self.high].map(|value| unit.to_canonical(value));
        let inside =
            |value: f64, (least, greatest): (f64, f64)| value >= least && value <= greatest;
        if !inside(median, range.possible) {
            Plausible::Out
        } else if inside(median, range.usual)
            && inside(low, range.possible)
            && inside(high, range.possible)
        {
            Plausible::Usual
        } else {
            Plausible::Possible
        }
    }
}

/// The units in which logs give a quantity, the commonest first (common practice, no source).
pub(super) fn usual_units(quantity: Quantity) -> &'static [&'static str] {
    match quantity {
        Quantity::Temperature => &["degC", "degF"],
        Quantity::Pressure => &["bar", "psi", "kPa", "MPa", "kgf/cm2", "mbar"],
        Quantity::Flow => &["m3/h", "gpm", "L/min", "L/h", "m3/d", "L/s", "gpd", "MGD"],
        Quantity::Conductivity => &["uS/cm", "mS/cm"],
        Quantity::Concentration => &["mg/L", "g/L"],
        Quantity::Acidity => &[""],
        _ => &[],
    }
}
