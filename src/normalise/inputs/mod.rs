//! What each analysis needs, and where it comes from: measured, derived or assumed.

mod analysis;
mod finder;

use std::sync::Arc;

use serde::Serialize;

use crate::buffer::Values;
use crate::log::Column;
use crate::screen::Reasons;
use crate::site::{ConductivityRule, KnownErrors, Site};
use crate::table::Series;
use crate::water::SaltCurve;

pub use analysis::Analysis;

/// Where the figures of a column come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Origin {
    /// The log has them.
    Measured,
    /// Worked out from other columns.
    Derived,
    /// The site file says so.
    Assumed,
}

impl Origin {
    /// Its word.
    pub fn name(self) -> &'static str {
        match self {
            Self::Measured => "measured",
            Self::Derived => "derived",
            Self::Assumed => "assumed",
        }
    }
}

/// What salt in a stream was worked out from.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) enum SaltFrom {
    /// It is in the log, or assumed.
    #[default]
    Itself,
    /// Conductivity times a factor.
    Factor(f64),
    /// Conductivity, as that of a salt.
    Curve(SaltCurve),
    /// A salt balance of the other two streams.
    Balance,
}

/// Where the figures of one column come from, in words.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Provenance {
    /// The column.
    pub column: Column,
    /// The kind of its origin.
    pub origin: Origin,
    /// How, in words.
    pub detail: String,
}

/// A column, or one figure that stands for all its rows.
#[derive(Debug, Clone)]
pub(crate) enum Source {
    Column(Values),
    Constant(f64),
}

impl Source {
    /// The figures of a block of rows.
    #[inline(always)]
    pub fn block<const N: usize>(&self, rows: &[usize; N]) -> [f64; N] {
        match self {
            Self::Column(values) => {
                let values: &[f64] = values;
                let together = rows[N - 1] == rows[0] + N - 1;
                match values.get(rows[0]..rows[0] + N).map(<[f64; N]>::try_from) {
                    Some(Ok(block)) if together => block,
                    _ => rows.map(|row| values[row]),
                }
            }
            Self::Constant(value) => [*value; N],
        }
    }

    #[inline]
    pub fn at(&self, row: usize) -> f64 {
        match self {
            Self::Column(values) => values[row],
            Self::Constant(value) => *value,
        }
    }
}

/// The inputs of the normalisation, one source each, and where they came from.
#[derive(Debug, Clone)]
pub(crate) struct Inputs {
    pub temperature: Source,
    pub feed_pressure: Source,
    pub differential_pressure: Source,
    pub permeate_pressure: Source,
    pub permeate_flow: Source,
    pub feed_flow: Source,
    pub recycle_flow: Source,
    pub feed_tds: Source,
    pub permeate_tds: Source,
    pub running: Option<Source>,
    /// Why each row was set aside by the screening, where there was one.
    pub set_aside: Option<Arc<Vec<Reasons>>>,
    pub provenance: Vec<Provenance>,
    /// What the salt of feed, permeate and concentrate was worked out from.
    pub feed_salt: SaltFrom,
    pub permeate_salt: SaltFrom,
    pub concentrate_salt: SaltFrom,
    /// Conductivities that salt was worked out from, by what rule.
    conductivities: Vec<(Values, SaltFrom)>,
    /// Columns that were worked out, for the result's table.
    pub derived: Vec<Series>,
    /// What instruments were known to be off by: readings are corrected for it.
    pub known_errors: KnownErrors,
}

impl SaltFrom {
    /// The conductivity that tells the salt of a stream, and how, where the site file says so.
    pub fn of_stream(tds: Column, site: &Site) -> (Column, Option<Self>) {
        let rules = &site.salinity.tds_per_conductivity;
        let (conductivity, rule) = match tds {
            Column::FeedTds => (Column::FeedConductivity, rules.feed),
            Column::PermeateTds => (Column::PermeateConductivity, rules.permeate),
            _ => (Column::ConcentrateConductivity, rules.concentrate),
        };
        let from = rule.map(|rule| match rule {
            ConductivityRule::Factor(factor) => Self::Factor(factor),
            ConductivityRule::Curve(curve) => Self::Curve(curve),
        });
        (conductivity, from)
    }

    /// mg/L from what was measured; NaN outside the range of a curve.
    pub fn tds(self, measured: f64) -> f64 {
        match self {
            Self::Factor(factor) => factor * measured,
            Self::Curve(curve) => curve.tds_and_slope(measured).0,
            Self::Itself | Self::Balance => measured,
        }
    }

    /// What was measured, from mg/L, and the slope of mg/L by it.
    pub fn measured_and_slope(self, tds: f64) -> (f64, f64) {
        match self {
            Self::Factor(factor) => (tds / factor, factor),
            Self::Curve(curve) => {
                let measured = curve.conductivity(tds).unwrap_or(f64::NAN);
                (measured, curve.tds_and_slope(measured).1)
            }
            Self::Itself | Self::Balance => (tds, 1.0),
        }
    }
}

impl Inputs {
    /// Whether a row's salt is missing for lying outside the range of a conductivity curve.
    pub fn is_beyond_curve(&self, row: usize) -> bool {
        self.conductivities
            .iter()
            .any(|(measured, from)| !measured[row].is_nan() && from.tds(measured[row]).is_nan())
    }

    /// Whether a column was worked out from others.
    pub fn is_derived(&self, column: Column) -> bool {
        self.origin(column) == Some(Origin::Derived)
    }

    /// Where a column comes from, where it is used.
    pub fn origin(&self, column: Column) -> Option<Origin> {
        self.provenance
            .iter()
            .find(|known| known.column == column)
            .map(|known| known.origin)
    }
}
