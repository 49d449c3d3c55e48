//! Tables in memory, through Arrow.

use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, TimestampMicrosecondType};
use arrow_array::{Array, ArrayRef, RecordBatch};
use arrow_cast::cast::{CastOptions, cast_with_options};
use arrow_schema::{DataType, Schema, TimeUnit};

use super::cell;
use super::schema::{Field, Header, ReadOptions};
use super::time::TimeReader;
use super::{Log, Offsets, Rows, is_switch};
use crate::error::{Error, Fault, Faults};
use crate::units::Unit;

/// Reads a table of record batches.
///
/// # Errors
/// [`Error::Log`] with every fault of names, units and cells.
pub fn read_batches(
    schema: &Schema,
    batches: &[RecordBatch],
    options: &ReadOptions,
) -> Result<Log, Error> {
    let times = TimeReader::new(options.time_zone.as_deref(), options.time_format.as_deref())?;
    let names: Vec<&str> = schema
        .fields()
        .iter()
        .map(|field| field.name().as_str())
        .collect();
    let header = Header::resolve(&names, options)?;
    let length = batches.iter().map(RecordBatch::num_rows).sum();
    let mut rows = Rows::new(&header, length);
    let mut zone_of_times = None;
    for batch in batches {
        let first = rows.time.len() as u64 + 1;
        let mut number = 0;
        for (at, field) in header.fields.iter().enumerate() {
            let array = batch.column(at);
            let mut faults = Faults::default();
            match field {
                Field::LeftOut => {}
                Field::Time => {
                    if let DataType::Timestamp(_, Some(zone)) = array.data_type() {
                        zone_of_times = Some(zone.to_string());
                    }
                    read_times(array, &times, &mut rows, &mut faults);
                }
                Field::Label(label) => {
                    read_labels(array, &mut rows.labels[*label], &mut faults);
                }
                Field::Number(column, unit) => {
                    read_numbers(
                        array,
                        unit,
                        is_switch(*column),
                        &mut rows.numbers[number],
                        &mut faults,
                    );
                    number += 1;
                }
            }
            for fault in faults.list_mut() {
                fault.row = fault.row.map(|row| row + first - 1);
                fault.column = Some(header.titles[at].clone());
            }
            rows.faults.append(faults);
        }
    }
    let faults = std::mem::take(&mut rows.faults);
    let mut log = header.log(rows, options);
    // A table's own zone is the one in which its user sees times.
    if let (None, Some(zone)) = (&options.time_zone, zone_of_times)
        && super::time::time_zone(&zone).is_ok()
    {
        log.table.zone = zone;
    }
    super::finish(log, faults)
}

fn cast(array: &ArrayRef, to: &DataType) -> Result<ArrayRef, Fault> {
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
fn texts(array: &ArrayRef) -> Result<ArrayRef, Fault> {
    cast(array, &DataType::LargeUtf8)
}

fn is_text(kind: &DataType) -> bool {
    match kind {
        DataType::Utf8 | DataType::LargeUtf8 | DataType::Utf8View => true,
        DataType::Dictionary(_, values) => is_text(values),
        _ => false,
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
    if is_text(array.data_type()) {
        match texts(array) {
            Err(fault) => faults.push(fault),
            Ok(words) => {
                for (row, word) in words.as_string::<i64>().iter().enumerate() {
                    let bytes = word.unwrap_or_default().as_bytes();
                    let parsed = if switch {
                        cell::switch(bytes)
                    } else {
                        cell::number(bytes, unit)
                    };
                    into.push(parsed.unwrap_or(f64::NAN));
                    if let Err((problem, remedy)) = parsed {
                        faults.push(
                            Fault::new(problem, remedy)
                                .at_row(row as u64 + 1)
                                .with_value(word.unwrap_or_default()),
                        );
                    }
                }
            }
        }
    } else {
        match cast(array, &DataType::Float64) {
            Err(fault) => faults.push(fault),
            Ok(figures) => {
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
        }
    }
    // A column that could not be read still keeps the rows in step.
    into.resize(start + array.len(), f64::NAN);
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

fn read_labels(array: &ArrayRef, words: &mut super::Words, faults: &mut Faults) {
    // Trains and stages are often numbered: 1 and "1" are the same label.
    let as_text = match array.data_type() {
        DataType::Float32 | DataType::Float64 => {
            cast(array, &DataType::Int64).and_then(|whole| texts(&whole))
        }
        _ => texts(array),
    };
    match as_text {
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

fn read_times(array: &ArrayRef, times: &TimeReader, rows: &mut Rows, faults: &mut Faults) {
    let missing = || Fault::new("no time", "every reading needs one");
    let start = rows.time.len();
    match array.data_type() {
        DataType::Timestamp(_, zone) => {
            let naive = zone.is_none();
            let micro = DataType::Timestamp(TimeUnit::Microsecond, zone.clone());
            match cast(array, &micro) {
                Err(fault) => faults.push(fault),
                Ok(stamps) => {
                    let stamps = stamps.as_primitive::<TimestampMicrosecondType>();
                    match (stamps.nulls(), naive) {
                        // Instants without a gap are what they are.
                        (None, false) => rows.time.extend_from_slice(stamps.values()),
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
                        Err(missing())
                    } else {
                        times.read(word).map_err(|fault| {
                            Fault::new(fault.problem, fault.remedy).with_value(word)
                        })
                    };
                    match read {
                        Ok((time, offset)) => {
                            rows.time.push(time);
                            rows.offset =
                                rows.offset.and(offset.map_or(Offsets::None, Offsets::One));
                        }
                        Err(fault) => {
                            rows.time.push(0);
                            faults.push(fault.at_row(row as u64 + 1));
                        }
                    }
                }
            }
        },
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
            None => Err(Fault::new("no time", "every reading needs one")),
            Some(stamp) if naive => times.read_naive_microseconds(stamp).map_err(|fault| {
                let shown = super::time::show(stamp, &jiff::tz::TimeZone::UTC);
                let naive = shown.trim_end_matches("+00:00");
                Fault::new(fault.problem, fault.remedy).with_value(naive)
            }),
            Some(stamp) => Ok(stamp),
        };
        rows.time.push(*read.as_ref().unwrap_or(&0));
        if let Err(fault) = read {
            faults.push(fault.at_row(row as u64 + 1));
        }
    }
}
