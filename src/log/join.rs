//! Several logs of one plant as one, and readings in the order of time.

use std::sync::Arc;

use super::Log;
use super::rows::{Words, step_in};
use super::schema::LABELS;
use crate::error::{Error, Fault};
use crate::table::{Labels, Series, Table};

/// The logs as one, in the order of time; readings of one time stay in the order of the logs.
///
/// A log has the columns of all: a figure that one lacks is missing there. Each column keeps the unit of the first
/// log that has it.
pub(super) fn join(logs: Vec<Log>) -> Result<Log, Error> {
    let mut logs = logs.into_iter();
    let (Some(first), rest) = (logs.next(), logs.collect::<Vec<_>>()) else {
        return Err(super::no_rows(None));
    };
    if rest.is_empty() {
        return Ok(first);
    }
    let all: Vec<&Log> = std::iter::once(&first).chain(&rest).collect();
    let rows: usize = all.iter().map(|log| log.table.len()).sum();
    let mut table = Table {
        time: Arc::new(each(&all, |log| log.table.time.iter().copied()).collect()),
        zone: if all.iter().all(|log| log.table.zone == first.table.zone) {
            first.table.zone.clone()
        } else {
            "UTC".to_owned()
        },
        labels: [labels(&all, 0)?, labels(&all, 1)?],
        series: Vec::new(),
    };
    let mut joined = Log::default();
    for series in each(&all, |log| log.table.series.iter()) {
        if table.series.iter().any(|done| done.name == series.name) {
            continue;
        }
        let mut values = Vec::with_capacity(rows);
        let mut steps = Vec::new();
        for log in &all {
            match log.table.series.iter().find(|own| own.name == series.name) {
                Some(own) => {
                    values.extend_from_slice(&own.values);
                    let step = log.written_to.get(&series.name);
                    steps.push(step.map(|step| step_in(*step, own.unit, series.unit)));
                }
                None => values.resize(values.len() + log.table.len(), f64::NAN),
            }
        }
        // Only where each of them tells is it known how finely the whole is written.
        if let Some(steps) = steps.into_iter().collect::<Option<Vec<f64>>>() {
            let finest = steps.into_iter().fold(f64::INFINITY, f64::min);
            joined.written_to.insert(series.name.clone(), finest);
        }
        table.series.push(Series {
            values: values.into(),
            ..series.clone()
        });
    }
    for title in each(&all, |log| log.left_out.iter()) {
        if !joined.left_out.contains(title) {
            joined.left_out.push(title.clone());
        }
    }
    joined.sources = each(&all, |log| log.sources.iter()).cloned().collect();
    sort_by_time(&mut table);
    joined.table = table;
    Ok(joined)
}

fn each<'a, T, I: Iterator<Item = T> + 'a>(
    logs: &'a [&'a Log],
    of: impl Fn(&'a Log) -> I + 'a,
) -> impl Iterator<Item = T> + 'a {
    logs.iter().flat_map(move |log| of(log))
}

fn labels(logs: &[&Log], label: usize) -> Result<Option<Arc<Labels>>, Error> {
    let mut words = Words::default();
    let mut with = 0;
    for labels in logs
        .iter()
        .filter_map(|log| log.table.labels[label].as_ref())
    {
        words.append(labels);
        with += 1;
    }
    match with {
        0 => Ok(None),
        all if all == logs.len() => Ok(Some(Arc::new(words.labels))),
        _ => {
            let word = LABELS[label];
            let bare: Vec<String> = logs
                .iter()
                .filter(|log| log.table.labels[label].is_none())
                .flat_map(|log| &log.sources)
                .map(|source| source.path.display().to_string())
                .collect();
            let fault = Fault::new(
                format!(
                    "some of the files name a {word}, and these don't: {}",
                    bare.join(", ")
                ),
                format!("a column '{word}' in each, or in none"),
            );
            Err(Error::Log(fault.at_column(word).into()))
        }
    }
}

/// Puts rows in the order of time; those of one time stay as they are.
pub(super) fn sort_by_time(table: &mut Table) {
    if table.time.is_sorted() {
        return;
    }
    let mut order: Vec<usize> = (0..table.len()).collect();
    order.sort_by_key(|row| table.time[*row]);
    table.time = Arc::new(order.iter().map(|row| table.time[*row]).collect());
    for labels in table.labels.iter_mut().flatten() {
        *labels = Arc::new(Labels {
            words: labels.words.clone(),
            codes: order.iter().map(|row| labels.codes[*row]).collect(),
        });
    }
    for series in &mut table.series {
        let values: Vec<f64> = order.iter().map(|row| series.values[*row]).collect();
        series.values = values.into();
    }
}
