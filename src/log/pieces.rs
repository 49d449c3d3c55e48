//! Pieces of a log: some of its rows, or one behind another.

use std::ops::Range;
use std::sync::Arc;

use super::Log;
use crate::error::{Error, Fault};
use crate::table::{Labels, Series, Table};

impl Log {
    /// Some rows of it, in their order; beyond its end there are none.
    #[must_use]
    pub fn rows(&self, range: Range<usize>) -> Self {
        let end = range.end.min(self.table.len());
        let range = range.start.min(end)..end;
        let labels = self.table.labels.clone().map(|labels| {
            labels.map(|labels| {
                Arc::new(Labels {
                    words: labels.words.clone(),
                    codes: labels.codes[range.clone()].to_vec(),
                })
            })
        });
        let series = self.table.series.iter().map(|series| Series {
            name: series.name.clone(),
            unit: series.unit,
            values: series.values.rows(range.clone()),
        });
        let set_aside = self.set_aside.as_ref();
        Self {
            table: Table {
                time: Arc::new(self.table.time[range.clone()].to_vec()),
                zone: self.table.zone.clone(),
                labels,
                series: series.collect(),
            },
            set_aside: set_aside.map(|reasons| Arc::new(reasons[range.clone()].to_vec())),
            ..self.clone()
        }
    }

    /// It and the rows of another behind it, which has the same columns. Neither is screened then.
    ///
    /// # Errors
    /// [`Error::Log`] where the columns differ.
    pub fn followed_by(&self, other: &Self) -> Result<Self, Error> {
        let names = |log: &Self| -> Vec<(String, &'static str)> {
            let series = log.table.series.iter();
            series
                .map(|series| (series.name.clone(), series.unit.word))
                .collect()
        };
        let labelled = |log: &Self| log.table.labels.clone().map(|labels| labels.is_some());
        if names(self) != names(other) || labelled(self) != labelled(other) {
            return Err(Error::Log(
                Fault::new(
                    "blocks of different columns",
                    "blocks of one log have the same",
                )
                .into(),
            ));
        }
        let mut time = self.table.time.to_vec();
        time.extend_from_slice(&other.table.time);
        let mut labels = [None, None];
        for (at, joined) in labels.iter_mut().enumerate() {
            if let (Some(first), Some(second)) = (&self.table.labels[at], &other.table.labels[at]) {
                *joined = Some(Arc::new(joined_labels(first, second)));
            }
        }
        let series = self.table.series.iter().zip(&other.table.series);
        let series = series.map(|(first, second)| Series {
            name: first.name.clone(),
            unit: first.unit,
            values: [&first.values[..], &second.values[..]].concat().into(),
        });
        Ok(Self {
            table: Table {
                time: Arc::new(time),
                zone: self.table.zone.clone(),
                labels,
                series: series.collect(),
            },
            set_aside: None,
            ..self.clone()
        })
    }
}

fn joined_labels(first: &Labels, second: &Labels) -> Labels {
    let mut joined = first.clone();
    let codes: Vec<u32> = second
        .words
        .iter()
        .map(|word| {
            let known = joined.words.iter().position(|known| known == word);
            let at = known.unwrap_or_else(|| {
                joined.words.push(word.clone());
                joined.words.len() - 1
            });
            at as u32
        })
        .collect();
    joined
        .codes
        .extend(second.codes.iter().map(|code| codes[*code as usize]));
    joined
}
