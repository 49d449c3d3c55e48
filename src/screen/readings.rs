//! The readings of one train and stage, column by column, in their own order.

use std::borrow::Cow;
use std::ops::Range;

use crate::log::{Column, Log};
use crate::normalise::inputs::SaltFrom;
use crate::site::Site;

/// Columns of one train and stage.
pub(crate) struct Readings<'a> {
    /// Times, µs since 1970 UTC.
    pub time: Cow<'a, [i64]>,
    columns: Vec<(Column, Cow<'a, [f64]>)>,
}

impl<'a> Readings<'a> {
    pub fn of(log: &'a Log, rows: &[usize]) -> Self {
        let columns = Column::ALL.iter().filter_map(|column| {
            let values = &log.get(*column)?.values;
            Some((*column, picked(values, rows)))
        });
        Self {
            time: picked(&log.table.time, rows),
            columns: columns.collect(),
        }
    }

    pub fn len(&self) -> usize {
        self.time.len()
    }

    pub fn get(&self, column: Column) -> Option<&[f64]> {
        self.columns
            .iter()
            .find(|(known, _)| *known == column)
            .map(|(_, values)| &**values)
    }

    /// What instruments show that a figure may rest on: every column but the switch and what tells of exposure alone.
    pub fn measured(&self) -> impl Iterator<Item = (Column, &[f64])> {
        self.columns
            .iter()
            .filter(|(column, _)| *column != Column::Running && !column.is_exposure())
            .map(|(column, values)| (*column, &**values))
    }

    /// Salt in a stream in some rows, mg/L: measured, or from its conductivity by the site's rule; and the column that told.
    pub fn salt(&self, tds: Column, site: &Site, rows: Range<usize>) -> Option<(Column, Vec<f64>)> {
        if let Some(values) = self.get(tds) {
            return Some((tds, values[rows].to_vec()));
        }
        let (conductivity, from) = SaltFrom::of_stream(tds, site);
        let (values, from) = (&self.get(conductivity)?[rows], from?);
        let salt = values.iter().map(|value| from.tds(*value)).collect();
        Some((conductivity, salt))
    }
}

/// Some rows of a column, which all together need no copy.
fn picked<'a, T: Copy>(values: &'a [T], rows: &[usize]) -> Cow<'a, [T]> {
    if rows.len() == values.len() {
        Cow::Borrowed(values)
    } else {
        rows.iter().map(|row| values[*row]).collect()
    }
}
