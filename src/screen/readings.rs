//! The readings of one train and stage, column by column, in their own order.

use crate::log::{Column, Log};
use crate::normalise::inputs::SaltFrom;
use crate::site::Site;

/// Columns of one train and stage.
pub(crate) struct Readings {
    /// Times, µs since 1970 UTC.
    pub time: Vec<i64>,
    columns: Vec<(Column, Vec<f64>)>,
}

impl Readings {
    pub fn of(log: &Log, rows: &[usize]) -> Self {
        let columns = Column::ALL.iter().filter_map(|column| {
            let values = &log.get(*column)?.values;
            Some((*column, rows.iter().map(|row| values[*row]).collect()))
        });
        Self {
            time: rows.iter().map(|row| log.table.time[*row]).collect(),
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
            .map(|(_, values)| values.as_slice())
    }

    /// What instruments show: every column but the switch.
    pub fn measured(&self) -> impl Iterator<Item = (Column, &[f64])> {
        self.columns
            .iter()
            .filter(|(column, _)| *column != Column::Running)
            .map(|(column, values)| (*column, values.as_slice()))
    }

    /// Salt in a stream, mg/L: measured, or from its conductivity by the site's rule; and the column that told.
    pub fn salt(&self, tds: Column, site: &Site) -> Option<(Column, Vec<f64>)> {
        if let Some(values) = self.get(tds) {
            return Some((tds, values.to_vec()));
        }
        let (conductivity, from) = SaltFrom::of_stream(tds, site);
        let (values, from) = (self.get(conductivity)?, from?);
        let salt = values.iter().map(|value| from.tds(*value)).collect();
        Some((conductivity, salt))
    }
}
