//! Wide tables: a column for each train or stage, where a log has a row for each.
//!
//! A header says whose reading it is by words in front: "stage 2 permeate_flow [gpm]", "train A stage 1 …".
//! A column without them is taken for each stage where it is the same water or state for all; any other has to say.

use std::sync::Arc;

use super::header::{Field, Target};
use super::schema::{Column, LABELS};
use crate::error::{Fault, Faults};
use crate::table::{Labels, Series, Table};

/// Whose readings a column holds: train and stage, where its header says.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Place(pub [Option<String>; 2]);

impl Place {
    /// Splits a header without its unit: "stage 2 Feed pressure" → (stage 2, "Feed pressure").
    pub fn split(name: &str) -> (Self, &str) {
        let between = [' ', '-', '_'];
        let mut place = Self::default();
        let mut rest = name.trim();
        'more: loop {
            for (label, word) in LABELS.iter().enumerate() {
                let Some((first, after)) = rest.split_once(between) else {
                    break 'more;
                };
                let after = after.trim_start_matches(between);
                if !first.eq_ignore_ascii_case(word) || place.0[label].is_some() {
                    continue;
                }
                let Some((of, left)) = after.split_once(between) else {
                    break 'more;
                };
                let of = of.trim();
                if of.is_empty() {
                    break 'more;
                }
                place.0[label] = Some(of.to_owned());
                rest = left.trim_start_matches(between);
                continue 'more;
            }
            break;
        }
        (place, rest)
    }

    /// Whether a column here may hold readings of the other place too.
    pub fn meets(&self, other: &Self) -> bool {
        self.0
            .iter()
            .zip(&other.0)
            .all(|(ours, theirs)| ours.is_none() || theirs.is_none() || ours == theirs)
    }

    /// As people order them: stage 2 before stage 10.
    fn order(&self) -> [(Option<u64>, Option<&String>); 2] {
        [0, 1].map(|label| {
            let word = self.0[label].as_ref();
            (word.and_then(|word| word.parse().ok()), word)
        })
    }
}

/// Whether a reading without a train (label 0) or stage (1) is that of every one.
///
/// All stages of a unit run together, on water of one temperature and, nearly, pH; trains share only their feed.
/// A permeate pressure is not shared: stages are often throttled apart (common practice, no source).
fn shared(column: Column, label: usize) -> bool {
    use Column::{
        FeedConductivity, FeedFreeChlorine, FeedPh, FeedSdi, FeedTds, FeedTemperature,
        FeedTurbidity, Running,
    };
    match label {
        0 => matches!(
            column,
            FeedTemperature
                | FeedPh
                | FeedSdi
                | FeedTurbidity
                | FeedFreeChlorine
                | FeedConductivity
                | FeedTds
        ),
        _ => matches!(
            column,
            FeedTemperature | FeedPh | FeedSdi | FeedTurbidity | FeedFreeChlorine | Running
        ),
    }
}

/// The trains and stages of a wide table, in order; none where it is long.
pub(super) fn places(targets: &[Target], titles: &[String], faults: &mut Faults) -> Vec<Place> {
    let numbers = || {
        targets.iter().filter_map(|target| match target.field {
            Field::Number(column, _) => Some((target, column)),
            _ => None,
        })
    };
    let used = [0, 1].map(|label| numbers().any(|(target, _)| target.place.0[label].is_some()));
    if used == [false, false] {
        return Vec::new();
    }
    for (label, word) in LABELS.iter().enumerate().filter(|(label, _)| used[*label]) {
        if targets
            .iter()
            .any(|target| target.field == Field::Label(label))
        {
            faults.push(
                Fault::new(
                    format!("a column '{word}', and headers that name a {word}"),
                    "one of the two: rows of a long table, or columns of a wide one",
                )
                .at_column(*word),
            );
        }
        for (target, column) in numbers() {
            if target.place.0[label].is_none() && !shared(column, label) {
                let name = column.name();
                faults.push(
                    Fault::new(
                        format!("which {word} is meant? other headers name theirs"),
                        format!(
                            "write it as '{word} 1 {name} [UNIT]', or, where several share the reading, give \
                             columns={{\"their header\": [\"{word} 1 {name}\", \"{word} 2 {name}\"]}}"
                        ),
                    )
                    .at_column(&titles[target.source]),
                );
            }
        }
    }
    let mut places: Vec<Place> = Vec::new();
    for (target, _) in numbers() {
        let whole = (0..2).all(|label| used[label] == target.place.0[label].is_some());
        if whole && !places.contains(&target.place) {
            places.push(target.place.clone());
        }
    }
    if places.is_empty() && faults.is_empty() {
        faults.push(Fault::new(
            "no header names both its train and its stage",
            "write them as 'train A stage 1 permeate_flow [UNIT]'",
        ));
    }
    places.sort_by(|a, b| a.order().cmp(&b.order()));
    places
}

/// A row for each place, from columns for each; `of` tells whose each series is.
pub(super) fn unfold(table: &Table, of: &[&Place], places: &[Place]) -> Table {
    let rows = table.len();
    let each = places.len();
    let repeat = |values: &dyn Fn(usize, usize) -> f64| -> Vec<f64> {
        (0..rows)
            .flat_map(|row| (0..each).map(move |place| (row, place)))
            .map(|(row, place)| values(row, place))
            .collect()
    };
    let mut series: Vec<Series> = Vec::new();
    for first in &table.series {
        if series.iter().any(|done| done.name == first.name) {
            continue;
        }
        let sources: Vec<Option<&Series>> = places
            .iter()
            .map(|place| {
                table
                    .series
                    .iter()
                    .zip(of)
                    .find(|(series, of)| series.name == first.name && of.meets(place))
                    .map(|(series, _)| series)
            })
            .collect();
        let values = repeat(&|row, place| sources[place].map_or(f64::NAN, |from| from.values[row]));
        series.push(Series {
            values: values.into(),
            ..first.clone()
        });
    }
    let labels = [0, 1].map(|label| {
        let named = places.iter().any(|place| place.0[label].is_some());
        let labels = match &table.labels[label] {
            Some(of_rows) => Labels {
                words: of_rows.words.clone(),
                codes: of_rows
                    .codes
                    .iter()
                    .flat_map(|code| vec![*code; each])
                    .collect(),
            },
            None if named => {
                let mut words: Vec<String> = Vec::new();
                let codes: Vec<u32> = places
                    .iter()
                    .map(|place| {
                        let word = place.0[label].clone().unwrap_or_default();
                        let known = words.iter().position(|known| *known == word);
                        known.unwrap_or_else(|| {
                            words.push(word);
                            words.len() - 1
                        }) as u32
                    })
                    .collect();
                Labels {
                    words,
                    codes: codes.repeat(rows),
                }
            }
            None => return None,
        };
        Some(Arc::new(labels))
    });
    Table {
        time: Arc::new(
            table
                .time
                .iter()
                .flat_map(|time| vec![*time; each])
                .collect(),
        ),
        zone: table.zone.clone(),
        labels,
        series,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn whose_reading_a_header_holds() {
        let split = |name: &'static str| {
            let (place, rest) = Place::split(name);
            let [train, stage] = place.0;
            (train.unwrap_or_default(), stage.unwrap_or_default(), rest)
        };
        let is = |train: &str, stage: &str, rest| (train.to_owned(), stage.to_owned(), rest);
        assert_eq!(split("stage 2 permeate_flow"), is("", "2", "permeate_flow"));
        assert_eq!(split("Stage-2_Permeate flow"), is("", "2", "Permeate flow"));
        assert_eq!(split("train A stage 1 feed_ph"), is("A", "1", "feed_ph"));
        assert_eq!(split("STAGE 1 train b feed_ph"), is("b", "1", "feed_ph"));
        assert_eq!(split("feed_pressure"), is("", "", "feed_pressure"));
        assert_eq!(split("stage"), is("", "", "stage"));
        assert_eq!(split("stage 2"), is("", "", "stage 2"));
    }
}
