//! A table in memory of any columns. What is read holds no infinity, and is written as CSV and as Parquet and read
//! back as the same log.

#![no_main]

use std::sync::Arc;

use arbitrary::Arbitrary;
use arrow_array::types::{Int8Type, Int32Type};
use arrow_array::{
    ArrayRef, BinaryArray, BooleanArray, Date32Array, Date64Array, Decimal128Array,
    DictionaryArray, DurationSecondArray, Float32Array, Float64Array, Int8Array, Int64Array,
    LargeStringArray, NullArray, RecordBatch, StringArray, StringViewArray, Time64MicrosecondArray,
    TimestampMicrosecondArray, TimestampMillisecondArray, TimestampNanosecondArray,
    TimestampSecondArray, UInt64Array,
};
use arrow_schema::{Field, Schema};
use brinemark::log::{ReadOptions, read_batches, read_log};
use brinemark::write::Output;
use brinemark_fuzz::{assert_same, check_refusal, file};
use libfuzzer_sys::fuzz_target;

/// The stages of a wide table have one unit: in another's, a figure may differ by its last bit.
const TITLES: [&str; 24] = [
    "time",
    "train",
    "stage",
    "feed_pressure [psi]",
    "Permeate pressure [bar]",
    "feed_temperature [degF]",
    "permeate_temperature [K]",
    "feed_flow [gpm]",
    "permeate_flow [m3/d]",
    "feed_conductivity [mS/cm]",
    "feed_tds [g/L]",
    "feed_ph",
    "running",
    "remark",
    "permeate_flow",
    "stage 1 permeate_flow [gpm]",
    "stage 2 permeate_flow [gpm]",
    "train A feed_pressure [psi]",
    "train B feed_pressure [psi]",
    "concentrate_pressure [MPa]",
    "permeate_conductivity [uS/cm]",
    "train A stage 1 feed_ph",
    "time",
    "feed_temperature [degC]",
];

/// A time that may be one of these years.
#[derive(Debug, Arbitrary)]
struct Near(u32);

impl Near {
    fn seconds(&self) -> i64 {
        1_700_000_000 + i64::from(self.0)
    }
}

#[derive(Debug, Arbitrary)]
enum Values {
    Seconds(Vec<Option<Near>>, u8),
    AnySeconds(Vec<Option<i64>>, u8),
    Milliseconds(Vec<Option<i64>>, u8),
    Microseconds(Vec<Option<i64>>, u8),
    Nanoseconds(Vec<Option<i64>>, u8),
    Dates(Vec<Option<i32>>),
    DateTimes(Vec<Option<i64>>),
    TimesOfDay(Vec<Option<i64>>),
    Durations(Vec<Option<i64>>),
    Figures(Vec<Option<f64>>),
    Small(Vec<Option<f32>>),
    Tenths(Vec<Option<i16>>),
    Whole(Vec<Option<i64>>),
    Unsigned(Vec<Option<u64>>),
    Bytes(Vec<Option<i8>>),
    Decimals(Vec<Option<i128>>),
    Flags(Vec<Option<bool>>),
    Words(Vec<Option<String>>),
    LongWords(Vec<Option<String>>),
    Views(Vec<Option<String>>),
    Coded(Vec<Option<i8>>, Vec<String>),
    CodedFigures(Vec<Option<i8>>, Vec<f64>),
    Binary(Vec<Option<Vec<u8>>>),
    Nothing,
}

const ZONES: [Option<&str>; 6] = [
    None,
    Some("UTC"),
    Some("America/Denver"),
    Some("+05:30"),
    Some("Etc/GMT+7"),
    Some("Mars/Olympus"),
];

/// As many values as there are rows; those that are not given repeat, or are missing.
fn fill<T: Clone>(values: &[Option<T>], rows: usize) -> Vec<Option<T>> {
    (0..rows)
        .map(|row| values.get(row % values.len().max(1)).cloned().flatten())
        .collect()
}

fn keys(codes: &[Option<i8>], rows: usize, words: usize) -> Vec<Option<i32>> {
    fill(codes, rows)
        .into_iter()
        .map(|code| {
            code.filter(|_| words > 0)
                .map(|code| i32::from(code).rem_euclid(words as i32))
        })
        .collect()
}

impl Values {
    fn array(&self, rows: usize) -> Option<ArrayRef> {
        let zone = |at: &u8| ZONES[usize::from(*at) % ZONES.len()];
        Some(match self {
            Self::Seconds(values, at) => {
                let mut seconds: Vec<Option<i64>> = fill(
                    &values
                        .iter()
                        .map(|value| value.as_ref().map(Near::seconds))
                        .collect::<Vec<_>>(),
                    rows,
                );
                seconds.sort();
                Arc::new(TimestampSecondArray::from(seconds).with_timezone_opt(zone(at)))
            }
            Self::AnySeconds(values, at) => {
                Arc::new(TimestampSecondArray::from(fill(values, rows)).with_timezone_opt(zone(at)))
            }
            Self::Milliseconds(values, at) => Arc::new(
                TimestampMillisecondArray::from(fill(values, rows)).with_timezone_opt(zone(at)),
            ),
            Self::Microseconds(values, at) => Arc::new(
                TimestampMicrosecondArray::from(fill(values, rows)).with_timezone_opt(zone(at)),
            ),
            Self::Nanoseconds(values, at) => {
                let mut values = fill(values, rows);
                values.sort();
                Arc::new(TimestampNanosecondArray::from(values).with_timezone_opt(zone(at)))
            }
            Self::Dates(values) => Arc::new(Date32Array::from(fill(values, rows))),
            Self::DateTimes(values) => Arc::new(Date64Array::from(fill(values, rows))),
            Self::TimesOfDay(values) => Arc::new(Time64MicrosecondArray::from(fill(values, rows))),
            Self::Durations(values) => Arc::new(DurationSecondArray::from(fill(values, rows))),
            Self::Figures(values) => Arc::new(Float64Array::from(fill(values, rows))),
            Self::Small(values) => Arc::new(Float32Array::from(fill(values, rows))),
            Self::Tenths(values) => Arc::new(Float64Array::from_iter(
                fill(values, rows)
                    .into_iter()
                    .map(|value| value.map(|value| f64::from(value) / 10.0)),
            )),
            Self::Whole(values) => Arc::new(Int64Array::from(fill(values, rows))),
            Self::Unsigned(values) => Arc::new(UInt64Array::from(fill(values, rows))),
            Self::Bytes(values) => Arc::new(Int8Array::from(fill(values, rows))),
            Self::Decimals(values) => Arc::new(
                Decimal128Array::from(fill(values, rows))
                    .with_precision_and_scale(38, 2)
                    .ok()?,
            ),
            Self::Flags(values) => Arc::new(BooleanArray::from(fill(values, rows))),
            Self::Words(values) => Arc::new(StringArray::from(fill(values, rows))),
            Self::LongWords(values) => Arc::new(LargeStringArray::from(fill(values, rows))),
            Self::Views(values) => Arc::new(StringViewArray::from(fill(values, rows))),
            Self::Coded(codes, words) => {
                let keys = keys(codes, rows, words.len());
                let words = Arc::new(StringArray::from_iter_values(words));
                Arc::new(DictionaryArray::<Int32Type>::try_new(keys.into(), words).ok()?)
            }
            Self::CodedFigures(codes, figures) => {
                let figures = &figures[..figures.len().min(100)];
                let keys: Vec<Option<i8>> = keys(codes, rows, figures.len())
                    .into_iter()
                    .map(|key| key.map(|key| key as i8))
                    .collect();
                let figures = Arc::new(Float64Array::from(figures.to_vec()));
                Arc::new(DictionaryArray::<Int8Type>::try_new(keys.into(), figures).ok()?)
            }
            Self::Binary(values) => Arc::new(BinaryArray::from_iter(fill(values, rows))),
            Self::Nothing => Arc::new(NullArray::new(rows)),
        })
    }
}

#[derive(Debug, Arbitrary)]
struct Input {
    rows: u8,
    /// How many of the rows stand in the first batch.
    cut: u8,
    zone: u8,
    by_comma: bool,
    columns: Vec<(u8, Values)>,
}

fuzz_target!(|input: Input| {
    let rows = usize::from(input.rows % 40);
    let mut fields = Vec::new();
    let mut arrays = Vec::new();
    for (title, values) in input.columns.iter().take(12) {
        let Some(array) = values.array(rows) else {
            return;
        };
        // The first column is the one that every log needs.
        let title = if fields.is_empty() {
            "time"
        } else {
            TITLES[usize::from(*title) % TITLES.len()]
        };
        fields.push(Field::new(title, array.data_type().clone(), true));
        arrays.push(array);
    }
    if fields.is_empty() {
        return;
    }
    let schema = Arc::new(Schema::new(fields));
    let Ok(batch) = RecordBatch::try_new(Arc::clone(&schema), arrays) else {
        return;
    };
    let cut = usize::from(input.cut) % (rows + 1);
    let batches = [batch.slice(0, cut), batch.slice(cut, rows - cut)];
    let options = ReadOptions {
        time_zone: ZONES[usize::from(input.zone % 3)].map(str::to_owned),
        decimal: input.by_comma.then_some(','),
        ..ReadOptions::default()
    };
    let whole = read_batches(&schema, std::slice::from_ref(&batch), &options);
    let log = read_batches(&schema, &batches, &options);
    let log = match (whole, log) {
        (Ok(whole), Ok(log)) => {
            assert_same(&whole, &log);
            log
        }
        (Err(whole), Err(_)) => return check_refusal(&whole),
        (whole, log) => panic!("whole: {whole:?}\nin two batches: {log:?}"),
    };
    for series in &log.table.series {
        assert!(
            series.values.iter().all(|value| !value.is_infinite()),
            "{}",
            series.name
        );
    }
    let output = Output {
        table: &log.table,
        reasons: None,
    };
    let path = file(b"");
    let options = ReadOptions {
        time_zone: Some(log.table.zone.clone()),
        ..ReadOptions::default()
    };
    output.write_csv(&path).expect("a file to write");
    assert_same(&log, &read_log(&path, &options).expect("the CSV we wrote"));
    output.write_parquet(&path).expect("a file to write");
    assert_same(
        &log,
        &read_log(&path, &ReadOptions::default()).expect("the Parquet we wrote"),
    );
});
