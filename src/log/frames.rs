//! Tables in memory, through Arrow.

use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, TimestampMicrosecondType};
use arrow_array::{Array, ArrayRef, LargeStringArray, RecordBatch};
use arrow_cast::cast::{CastOptions, cast_with_options};
use arrow_schema::{DataType, Schema, TimeUnit};

use super::cell::{self, CellFault, Figures};
use super::header::{Field, Header, is_switch};
use super::options::ReadOptions;
use super::rows::{Assembler, Rows, Words};
use super::time::{Read, TimeFault, TimeReader, is_within_years, out_of_years};
use super::{Log, no_rows};
use crate::error::{Error, Fault, Faults};
use crate::units::Unit;

/// Reads a table of record batches.
///
/// # Errors
/// [`Error::Log`] with every fault of options, names, units and cells.
pub fn read_batches(
    schema: &Schema,
    batches: &[RecordBatch],
    options: &ReadOptions,
) -> Result<Log, Error> {
    options.check()?;
    let columns = BatchReader::new(options)?;
    let mut header = Header::resolve(&titles(schema), &[], options)?;
    std::mem::take(&mut header.unmet).into_result(Error::Log)?;
    let length = batches.iter().map(RecordBatch::num_rows).sum();
    let mut rows = Rows::new(&header, length);
    for batch in batches {
        columns.read(&header, batch, &mut rows);
    }
    let mut assembler = Assembler::new(header, options.clone());
    assembler.zone = zone_of_times(schema, &assembler.header);
    let log = assembler.log(rows)?;
    if log.table.is_empty() {
        return Err(no_rows(None));
    }
    Ok(log)
}

/// The names of a table's columns.
pub(super) fn titles(schema: &Schema) -> Vec<String> {
    let fields = schema.fields().iter();
    fields.map(|field| field.name().clone()).collect()
}

/// A table's own zone is the one in which its user sees times.
pub(super) fn zone_of_times(schema: &Schema, header: &Header) -> Option<String> {
    let times = header
        .targets
        .iter()
        .find(|target| target.field == Field::Time)?;
    match schema.fields().get(times.source)?.data_type() {
        DataType::Timestamp(_, Some(zone)) if super::time::time_zone(zone).is_ok() => {
            Some(zone.to_string())
        }
        _ => None,
    }
}

/// Reads the columns of record batches.
pub(super) struct BatchReader {
    times: TimeReader,
    figures: Figures,
}

impl BatchReader {
    pub fn new(options: &ReadOptions) -> Result<Self, Error> {
        Ok(Self {
            times: TimeReader::new(options)?,
            figures: Figures::new(options.decimal),
        })
    }

    /// Adds the rows of a batch.
    pub fn read(&self, header: &Header, batch: &RecordBatch, rows: &mut Rows) {
        let first = rows.time.len() as u64 + 1;
        let mut number = 0;
        let mut all = Faults::default();
        for target in &header.targets {
            let array = batch.column(target.source);
            let mut faults = Faults::default();
            match target.field {
                Field::Time => read_times(array, &self.times, rows, &mut faults),
                Field::Label(label) => read_labels(array, &mut rows.labels[label], &mut faults),
                Field::Number(column, unit) => {
                    let into = &mut rows.numbers[number];
                    let start = into.len();
                    if is_text(array.data_type()) {
                        let finest = &mut rows.finest[number];
                        let parse = |cell: &[u8]| match is_switch(column) {
                            true => cell::switch(cell),
                            false => self.figures.number(cell, unit, finest),
                        };
                        read_text(array, parse, into, &mut faults);
                    } else {
                        read_numbers(array, unit, is_switch(column), into, &mut faults);
                    }
                    // A column that could not be read still keeps the rows in step.
                    into.resize(start + array.len(), f64::NAN);
                    number += 1;
                }
            }
            for fault in faults.list_mut() {
                fault.row = fault.row.map(|row| row + first - 1);
                fault.column = Some(header.titles[target.source].clone());
            }
            // A column that serves several is wrong once.
            if !faults.list().iter().all(|fault| all.list().contains(fault)) {
                all.append(faults);
            }
        }
        rows.faults.append(all);
    }
}

pub(super) fn cast(array: &ArrayRef, to: &DataType) -> Result<ArrayRef, Fault> {
    let options = CastOptions {
        safe: false,
        ..CastOptions::default()
    };
    cast_with_options(array, to, &options).map_err(|cause| {
        Fault::new(
            format!(
                "a column of {}, which can't be read as {to}: {cause}",
                array.data_type()
            ),
            "",
        )
    })
}

/// The words of a text column; dictionaries and views of text are text too.
pub(super) fn texts(array: &ArrayRef) -> Result<ArrayRef, Fault> {
    cast(array, &DataType::LargeUtf8)
}

fn is_text(kind: &DataType) -> bool {
    match kind {
        DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View => true,
        DataType::Dictionary(_, values) => is_text(values),
        _ => false,
    }
}

/// Whether a column holds figures, or what a switch says. Dates, lengths of time and the like can be made numbers of,
/// but are no readings.
fn is_figures(kind: &DataType, switch: bool) -> bool {
    match kind {
        DataType::Null => true,
        DataType::Boolean => switch,
        DataType::Dictionary(_, values) => is_figures(values, switch),
        DataType::RunEndEncoded(_, values) => is_figures(values.data_type(), switch),
        other => other.is_numeric(),
    }
}

fn read_text(
    array: &ArrayRef,
    mut parse: impl FnMut(&[u8]) -> Result<f64, CellFault>,
    into: &mut Vec<f64>,
    faults: &mut Faults,
) {
    let words = match texts(array) {
        Ok(words) => words,
        Err(fault) => return faults.push(fault),
    };
    for (row, word) in words.as_string::<i64>().iter().enumerate() {
        let word = word.unwrap_or_default();
        let parsed = parse(word.as_bytes());
        into.push(parsed.unwrap_or(f64::NAN));
        if let Err((problem, remedy)) = parsed {
            faults.push(
                Fault::new(problem, remedy)
                    .at_row(row as u64 + 1)
                    .with_value(word),
            );
        }
    }
}

fn read_numbers(
    array: &ArrayRef,
    unit: &Unit,
    switch: bool,
    into: &mut Vec<f64>,
    faults: &mut Faults,
) {
    let start = into.len();
    if !is_figures(array.data_type(), switch) {
        let remedy = match switch {
            true => "true or false",
            false => "a column of figures, or of text such as 12.5",
        };
        let problem = format!("a column of {}, which are no readings", array.data_type());
        return faults.push(Fault::new(problem, remedy));
    }
    let figures = match cast(array, &DataType::Float64) {
        Ok(figures) => figures,
        Err(fault) => return faults.push(fault),
    };
    let figures = figures.as_primitive::<Float64Type>();
    let canonical = |value: f64| unit.to_canonical(value);
    match figures.nulls() {
        None => into.extend(figures.values().iter().map(|value| canonical(*value))),
        Some(_) => into.extend(
            figures
                .iter()
                .map(|value| value.map_or(f64::NAN, canonical)),
        ),
    }
    refuse_odd(&mut into[start..], unit, switch, faults);
}

/// Infinities are no readings, and a switch is on or off.
fn refuse_odd(values: &mut [f64], unit: &Unit, switch: bool, faults: &mut Faults) {
    let is_odd = |value: f64| {
        value.is_infinite() || (switch && value != 0.0 && value != 1.0 && !value.is_nan())
    };
    if !values.iter().any(|value| is_odd(*value)) {
        return;
    }
    let (problem, remedy) = if switch {
        ("neither yes nor no", "true or false")
    } else {
        (
            "not a finite figure",
            "NaN or null where there is no reading",
        )
    };
    for (row, value) in values
        .iter_mut()
        .enumerate()
        .filter(|(_, value)| is_odd(**value))
    {
        let shown = unit.from_canonical(*value).to_string();
        faults.push(
            Fault::new(problem, remedy)
                .at_row(row as u64 + 1)
                .with_value(shown),
        );
        *value = f64::NAN;
    }
}

fn read_labels(array: &ArrayRef, words: &mut Words, faults: &mut Faults) {
    match label_texts(array, faults) {
        Err(fault) => {
            faults.push(fault);
            (0..array.len()).for_each(|_| words.push(""));
        }
        Ok(labels) => {
            for (row, word) in labels.as_string::<i64>().iter().enumerate() {
                let word = word.unwrap_or_default().trim();
                words.push(word);
                if word.is_empty() {
                    faults.push(
                        Fault::new(
                            "empty",
                            "every reading of such a log names its train and stage",
                        )
                        .at_row(row as u64 + 1),
                    );
                }
            }
        }
    }
}

/// Labels as text. Trains and stages are often numbered: 1, 1.0 and "1" are the same label.
fn label_texts(array: &ArrayRef, faults: &mut Faults) -> Result<ArrayRef, Fault> {
    if !array.data_type().is_floating() {
        return texts(array);
    }
    let figures = cast(array, &DataType::Float64)?;
    let labels = figures.as_primitive::<Float64Type>().iter().enumerate();
    let labels = labels.map(|(row, figure)| {
        let figure = figure.filter(|figure| !figure.is_nan())?;
        if figure.fract() != 0.0 || figure.abs() > LARGEST_WHOLE {
            faults.push(
                Fault::new("not a whole number", "a whole number, or text")
                    .at_row(row as u64 + 1)
                    .with_value(figure.to_string()),
            );
        }
        Some((figure as i64).to_string())
    });
    Ok(Arc::new(LargeStringArray::from_iter(labels)))
}

/// Above it, not every whole number is a figure of its own: 2^53.
const LARGEST_WHOLE: f64 = 9_007_199_254_740_992.0;

fn read_times(array: &ArrayRef, times: &TimeReader, rows: &mut Rows, faults: &mut Faults) {
    let start = rows.time.len();
    match array.data_type() {
        DataType::Timestamp(_, zone) => {
            let naive = zone.is_none();
            let micro = DataType::Timestamp(TimeUnit::Microsecond, zone.clone());
            match cast(array, &micro) {
                Err(fault) => faults.push(fault),
                Ok(stamps) => {
                    let stamps = stamps.as_primitive::<TimestampMicrosecondType>();
                    let mut values = stamps.values().iter();
                    match (stamps.nulls(), naive) {
                        // Instants without a gap are what they are.
                        (None, false) if values.all(|time| is_within_years(*time)) => {
                            rows.time.extend_from_slice(stamps.values());
                        }
                        _ => read_stamps(stamps.iter(), naive, times, rows, faults),
                    }
                }
            }
        }
        kind if is_text(kind) => match texts(array) {
            Err(fault) => faults.push(fault),
            Ok(words) => {
                for (row, word) in words.as_string::<i64>().iter().enumerate() {
                    let word = word.unwrap_or_default().trim();
                    let read = if word.is_empty() {
                        Err(no_time())
                    } else {
                        let read = times.read(word);
                        read.map_err(|fault| refused(fault).with_value(word))
                    };
                    push_time(read, row, rows, faults);
                }
            }
        },
        DataType::Date32 | DataType::Date64 if !times.takes_dates_alone() => {
            faults.push(refused(super::time::date_alone()));
        }
        DataType::Date32 | DataType::Date64 => {
            match cast(array, &DataType::Timestamp(TimeUnit::Microsecond, None)) {
                Err(fault) => faults.push(fault),
                Ok(stamps) => return read_times(&stamps, times, rows, faults),
            }
        }
        kind => faults.push(Fault::new(
            format!("times given as {kind}"),
            "datetimes, or text such as 2026-03-01T08:15-07:00",
        )),
    }
    rows.time.resize(start + array.len(), 0);
}

fn read_stamps(
    stamps: impl Iterator<Item = Option<i64>>,
    naive: bool,
    times: &TimeReader,
    rows: &mut Rows,
    faults: &mut Faults,
) {
    for (row, stamp) in stamps.enumerate() {
        let read = match stamp {
            None => Err(no_time()),
            Some(stamp) if naive => times.read_naive_microseconds(stamp).map_err(|fault| {
                let shown = super::time::show(stamp, &jiff::tz::TimeZone::UTC);
                refused(fault).with_value(shown.trim_end_matches("+00:00"))
            }),
            Some(stamp) if is_within_years(stamp) => Ok(Read::instant(stamp)),
            Some(stamp) => {
                Err(refused(out_of_years()).with_value(format!("{stamp} µs since 1970")))
            }
        };
        push_time(read, row, rows, faults);
    }
}

fn push_time(read: Result<Read, Fault>, row: usize, rows: &mut Rows, faults: &mut Faults) {
    rows.push_time(read.as_ref().ok().copied());
    if let Err(fault) = read {
        faults.push(fault.at_row(row as u64 + 1));
    }
}

fn no_time() -> Fault {
    Fault::new("no time", "every reading needs one")
}

fn refused(fault: TimeFault) -> Fault {
    Fault::new(fault.problem, fault.remedy)
}
