//! Damaged and forged files, ten thousand of them, made from good ones by a fixed sequence of chance: bytes changed,
//! cut, doubled; lines removed, doubled, exchanged; cells exchanged.
//!
//! Each is either refused, in words that say what is wrong and where (row, line, column, key or file), or it is read
//! and then **is what stands in the file**, looked up in another way than the reader goes. That is:
//!
//! - of text, plain or compressed: the records that a plain parser here finds, cell by cell: every figure by the
//!   standard library's own parser, missing where the cell is empty or says so, every time and label, no row more or
//!   less, every header either a column or listed as left out. What is compressed unpacks without error first;
//! - of a workbook: the cells that were written, whatever happened to the file around them;
//! - of Parquet: the columns as the Arrow reader gives them (such a file has no checksum of its pages, so that damage
//!   inside a page may be a figure like any other: no reader can tell);
//! - of site and mapping files: the values as the TOML parser gives them.
//!
//! No panic comes out, and none takes long.

mod common;

use std::collections::BTreeSet;
use std::io::{Read, Write};
use std::path::Path;
use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, TimestampMicrosecondType};
use arrow_array::{
    Array, ArrayRef, BooleanArray, Float64Array, RecordBatch, TimestampMicrosecondArray,
};
use arrow_schema::DataType;
use brinemark::log::{Column, LABELS, ReadOptions, read_batches, read_log};
use brinemark::units::Unit;
use brinemark::write::Output;
use brinemark::{Error, Log, Site};
use common::{file, read};
use parquet::arrow::arrow_reader::ParquetRecordBatchReaderBuilder;
use rust_xlsxwriter::{ExcelDateTime, Format, Workbook};

/// A sequence of chance that is the same in every run (SplitMix64: G. Steele et al., OOPSLA 2014, from memory).
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    fn below(&mut self, end: usize) -> usize {
        (self.next() % end.max(1) as u64) as usize
    }

    fn range(&mut self, length: usize) -> std::ops::Range<usize> {
        let (a, b) = (self.below(length + 1), self.below(length + 1));
        a.min(b)..a.max(b)
    }
}

// --- what is done to a file ----------------------------------------------------------------------

/// What trips readers, in one cell or between two.
const NASTY: [&[u8]; 40] = [
    b"\"",
    b"\"\"",
    b",",
    b";",
    b"\t",
    b"|",
    b"\n",
    b"\r",
    b"\r\n",
    b"\0",
    b"\xff",
    b"\xc3",
    b"\xef\xbb\xbf",
    b" ",
    b"-",
    b"--",
    b"+",
    b".",
    b"e",
    b"1e308",
    b"-1e999",
    b"inf",
    b"NaN",
    b"nan",
    b"NULL",
    b"1.234,5",
    b"1,234.5",
    b"0x1F",
    b"\xc2\xa0",
    b"1 234",
    b"[",
    b"]",
    b"#",
    b"=",
    b"{",
    b"2026-02-30T00:00Z",
    b"24:00",
    b"9999999999",
    b"true",
    b"'",
];

fn damage_bytes(bytes: &mut Vec<u8>, chance: &mut Chance) {
    let length = bytes.len();
    if length == 0 {
        return;
    }
    match chance.below(6) {
        0 => bytes[chance.below(length)] ^= 1 << chance.below(8),
        1 => bytes[chance.below(length)] = chance.next() as u8,
        2 => bytes.truncate(chance.below(length)),
        3 => drop(bytes.drain(chance.range(length))),
        4 => {
            let copy = bytes[chance.range(length)].to_vec();
            let at = chance.below(length);
            bytes.splice(at..at, copy);
        }
        _ => {
            let (a, b) = (chance.below(length), chance.below(length));
            bytes.swap(a, b);
        }
    }
}

fn damage_text(text: &mut Vec<u8>, separator: u8, chance: &mut Chance) {
    let mut lines: Vec<Vec<u8>> = text
        .split_inclusive(|byte| *byte == b'\n')
        .map(<[u8]>::to_vec)
        .collect();
    let (a, b) = (chance.below(lines.len()), chance.below(lines.len()));
    match chance.below(8) {
        0 | 1 => return damage_bytes(text, chance),
        2 | 3 => {
            let at = chance.below(text.len() + 1);
            let end = if chance.below(2) == 0 {
                at
            } else {
                (at + chance.below(4)).min(text.len())
            };
            text.splice(at..end, NASTY[chance.below(NASTY.len())].iter().copied());
            return;
        }
        4 if !lines.is_empty() => drop(lines.remove(a)),
        5 if !lines.is_empty() => lines.insert(b, lines[a].clone()),
        6 if !lines.is_empty() => lines.swap(a, b),
        7 if !lines.is_empty() => {
            let cells = |line: &[u8]| {
                line.split(|byte| *byte == separator)
                    .map(<[u8]>::to_vec)
                    .collect::<Vec<_>>()
            };
            let (mut first, mut second) = (cells(&lines[a]), cells(&lines[b]));
            let (i, j) = (chance.below(first.len()), chance.below(second.len()));
            if a == b {
                first.swap(i, j);
            } else {
                std::mem::swap(&mut first[i], &mut second[j]);
                lines[b] = second.join(&separator);
            }
            lines[a] = first.join(&separator);
        }
        _ => {}
    }
    *text = lines.concat();
}

// --- what a refusal has to say -------------------------------------------------------------------

fn check_refusal(error: &Error, path: &Path) {
    let faults = error.faults();
    assert!(!faults.is_empty(), "{error}");
    let path = path.display().to_string();
    for fault in faults {
        let placed = fault.row.is_some()
            || fault.line.is_some()
            || fault.column.is_some()
            || fault.file.is_some()
            || fault.problem.contains(&path);
        assert!(placed, "no place: {fault}");
        assert!(
            !fault.problem.is_empty() && !fault.remedy.is_empty(),
            "no words: {fault:?}"
        );
    }
}

// --- what stands in a file -----------------------------------------------------------------------

/// The records of a text, by the rules of RFC 4180: quotes open at a cell's start alone; blank lines are none.
fn records(text: &[u8], separator: u8) -> Vec<Vec<Vec<u8>>> {
    let mut records = Vec::new();
    let (mut cells, mut cell) = (Vec::new(), Vec::new());
    // Whether the cell began, and whether a quote is open.
    let (mut begun, mut quoted) = (false, false);
    let mut bytes = text.iter().copied().peekable();
    let mut end = |cells: &mut Vec<Vec<u8>>, cell: &mut Vec<u8>, begun: &mut bool| {
        if *begun || !cells.is_empty() {
            cells.push(std::mem::take(cell));
            records.push(std::mem::take(cells));
        }
        *begun = false;
    };
    while let Some(byte) = bytes.next() {
        match byte {
            b'"' if quoted => match bytes.next_if_eq(&b'"') {
                Some(quote) => cell.push(quote),
                None => quoted = false,
            },
            byte if quoted => cell.push(byte),
            b'"' if !begun => (begun, quoted) = (true, true),
            b'\n' | b'\r' => end(&mut cells, &mut cell, &mut begun),
            byte if byte == separator => {
                cells.push(std::mem::take(&mut cell));
                begun = false;
            }
            byte => {
                begun = true;
                cell.push(byte);
            }
        }
    }
    assert!(!quoted, "a quote that is never closed was read");
    end(&mut cells, &mut cell, &mut begun);
    records
}

/// A figure as this file writes it.
fn figure(cell: &str, comma: bool) -> f64 {
    let cell = cell.trim_matches(|c: char| c.is_ascii_whitespace());
    if [
        "", "NaN", "nan", "NA", "N/A", "#N/A", "n/a", "null", "None", "-", "--",
    ]
    .contains(&cell)
    {
        return f64::NAN;
    }
    let plain: String = match comma {
        true => cell
            .chars()
            .filter(|c| {
                !matches!(
                    c,
                    '.' | '\'' | '’' | ' ' | '\u{a0}' | '\u{2009}' | '\u{202f}'
                )
            })
            .map(|c| if c == ',' { '.' } else { c })
            .collect(),
        false => cell.to_owned(),
    };
    plain
        .parse()
        .unwrap_or_else(|_| panic!("read as a figure: '{cell}'"))
}

fn switch(cell: &str) -> f64 {
    match cell.trim().to_ascii_lowercase().as_str() {
        "true" | "yes" | "on" | "1" | "1.0" => 1.0,
        "false" | "no" | "off" | "0" | "0.0" => 0.0,
        other => {
            let missing = figure(other, false);
            assert!(
                missing.is_nan() || other == "n/a",
                "read as a switch: '{cell}'"
            );
            f64::NAN
        }
    }
}

/// The column that a header names, and its unit.
fn column(title: &str) -> Option<(Column, &'static Unit)> {
    let (name, unit) = match title
        .strip_suffix(']')
        .and_then(|rest| rest.rsplit_once('['))
    {
        Some((name, unit)) => (name, Some(unit)),
        None => (title, None),
    };
    let name = name.trim().to_lowercase().replace([' ', '-'], "_");
    let column = Column::from_name(&name)?;
    let unit = unit.map_or(column.quantity().canonical(), |unit| {
        Unit::parse(unit).expect("a unit that was read")
    });
    Some((column, unit))
}

fn same(a: f64, b: f64) -> bool {
    a.to_bits() == b.to_bits() || (a.is_nan() && b.is_nan())
}

/// Holds a log against the text it was read from.
fn check_text(log: &Log, text: &[u8], options: &ReadOptions) {
    let text = text.strip_prefix(b"\xef\xbb\xbf").unwrap_or(text);
    let separator = options.separator.map_or_else(
        || {
            let header = text
                .split(|byte| *byte == b'\n')
                .find(|line| !line.trim_ascii().is_empty())
                .unwrap_or(text);
            let count = |separator: &u8| header.iter().filter(|byte| *byte == separator).count();
            [b'|', b'\t', b';', b',']
                .into_iter()
                .max_by_key(count)
                .unwrap_or(b',')
        },
        |separator| separator as u8,
    );
    let records = records(text, separator);
    let word = |cell: &Vec<u8>| String::from_utf8_lossy(cell).trim().to_owned();
    let titles: Vec<String> = records[0]
        .iter()
        .map(|cell| word(cell).trim_start_matches('\u{feff}').trim().to_owned())
        .collect();
    let rows = &records[1..];
    assert_eq!(log.table.len(), rows.len());
    let mut used = BTreeSet::new();
    for (at, title) in titles.iter().enumerate() {
        let plain = title.to_lowercase();
        let cells = rows.iter().map(|row| {
            assert_eq!(row.len(), titles.len());
            &row[at]
        });
        if plain.starts_with("time") && plain.split('[').next().map(str::trim) == Some("time") {
            used.insert(at);
            for (cell, time) in cells.zip(log.table.time.iter()) {
                assert_eq!(instant(&word(cell), options), *time, "{}", word(cell));
            }
        } else if let Some(label) = LABELS
            .iter()
            .position(|label| plain.split('[').next().map(str::trim) == Some(label))
        {
            used.insert(at);
            let labels = log.table.labels[label].as_ref().expect("a label column");
            for (row, cell) in cells.enumerate() {
                assert_eq!(labels.word(row), word(cell));
            }
        } else if let Some((column, unit)) = column(title) {
            used.insert(at);
            let series = log
                .get(column)
                .unwrap_or_else(|| panic!("{title} was lost"));
            for (cell, value) in cells.zip(series.values.iter()) {
                let cell = std::str::from_utf8(cell).unwrap_or_default();
                let figure = match column {
                    Column::Running => switch(cell),
                    _ => unit.to_canonical(figure(cell, options.decimal == Some(','))),
                };
                assert!(
                    same(figure, *value),
                    "{title}: '{cell}' was read as {value}"
                );
            }
        }
    }
    let left: Vec<&String> = titles
        .iter()
        .enumerate()
        .filter(|(at, _)| !used.contains(at))
        .map(|(_, title)| title)
        .collect();
    assert_eq!(log.left_out.iter().collect::<Vec<_>>(), left);
    let columns = log.table.series.len() + log.table.labels.iter().flatten().count() + 1;
    assert_eq!(columns, used.len());
}

/// The instant that a cell says.
fn instant(cell: &str, options: &ReadOptions) -> i64 {
    if let Ok(stamp) = cell.parse::<jiff::Timestamp>() {
        return stamp.as_microsecond();
    }
    let naive: jiff::civil::DateTime = match &options.time_format {
        Some(format) => {
            jiff::civil::DateTime::strptime(format, cell).expect("a time that was read")
        }
        None => cell.parse().expect("a time that was read"),
    };
    let zone = options.time_zone.as_deref().expect("a zone");
    naive
        .in_tz(zone)
        .expect("the zone")
        .timestamp()
        .as_microsecond()
}

// --- good files ----------------------------------------------------------------------------------

const ENGLISH: &str = "time,train,feed_pressure [psi],permeate_flow [gpm],feed_temperature [degF],running,remark\n\
    2026-01-01T00:00Z,A,140.5,6.25,68.2,true,\n\
    2026-01-01T01:00Z,A,141,,68.4,true,\"two\nlines\"\n\
    2026-01-01T02:00Z,B,NaN,6.5,68.1,off,\"said \"\"off\"\"\"\n\
    2026-01-01T03:00Z,A,-0.5,1e-3,,,a 6\" pipe\n\
    2026-01-01T04:00+01:00,B,139.75,6.125,68,yes,x\n";

const GERMAN: &str = "time;feed_pressure [bar];feed_conductivity [uS/cm];stage;permeate_flow [m3/h];Bemerkung\n\
    01.03.2026 08:00;9,5;1.234,5;1;4,25;läuft\n\
    01.03.2026 08:00;9,4;1 234;2;3,5;\n\
    01.03.2026 09:00;-;1234,5;1;;steht\n\
    01.03.2026 10:00;9,25;1.240;2;3,75;\"a; b\"\n";

const MAPPING: &str = "time_zone = \"Etc/GMT+7\"\ntime_format = \"%d.%m.%Y %H:%M\"\ntime_label = \"interval-start\"\n\
    interval = \"15 min\"\nseparator = \";\"\ndecimal = \",\"\nheader_row = 3\nunits_row = false\nsort = true\n\n[columns]\n\
    \"P-101 (psi)\" = \"feed_pressure [psi]\"\n\"PT 2\" = [\"stage 1 permeate_flow [gpm]\", \"stage 2 permeate_flow [gpm]\"]\n\
    \"Operator\" = false\n";

fn options(toml: &str) -> ReadOptions {
    ReadOptions::from_toml(toml).expect("a mapping that is right")
}

fn plain() -> ReadOptions {
    options("time_zone = \"UTC\"")
}

fn german() -> ReadOptions {
    options(
        "time_zone = \"Etc/GMT+7\"\ntime_format = \"%d.%m.%Y %H:%M\"\nseparator = \";\"\ndecimal = \",\"",
    )
}

/// A site file with most of what one can say.
const SITE: &str = r#"
[site]
name = "Example unit"
notes = "β, behind the workshop"

[element]
area = "37.2 m2"
length = "40 in"
feed_spacer_thickness = "31 mil"
rated_rejection = "99.5 %"

[[stage]]
vessels = 2
elements_per_vessel = 3

[[stage]]
vessels = 1
elements_per_vessel = 3

[recycle]
returns_to = "feed"

[temperature]
law = "table"
table = [["5 degC", 0.52], ["15 degC", 0.73], ["25 degC", 1.0], ["30 degC", 1.16]]
accuracy = "400 K"

[temperature.salt]
law = "arrhenius"
constant = "3000 K"

[salinity]
basis = "sodium-chloride"
osmotic_accuracy = "3 %"

[salinity.tds_per_conductivity]
feed = 0.55
concentrate = "sodium-chloride"

[reference]
kind = "baseline"
stabilise = "48 h"
minimum_readings = 5
start = "2024-03-01T00:00Z"

[assume]
permeate_pressure = "0 psi"
feed_ph = 7.1

[instruments]
permeate_flow = { accuracy = "2 % of 8 gpm", resolution = "0.1 gpm", calibrated_on = "2024-02-20" }
feed_pressure = { class = "gauge-b", span = "200 psi" }
feed_temperature = { accuracy = "0.3 degC + 0.5 % of reading", repeatability = "0.1 degC" }

[screen]
settle = "60 min"
stuck_chance = 1e-4
tell = ["limits"]
keep = [{ from = "2025-06-01T00:00Z", to = "2025-06-02T00:00Z", why = "checked by hand" }]

[limits]
feed_pressure = { high = "16 bar" }
feed_temperature = { low = "1 degC", high = "45 degC" }

[[event]]
time = "2025-04-02T10:00Z"
kind = "cleaning"
note = "high pH, then low pH"

[[service]]
what = "calibration"
of = "permeate_flow"
every = "3 months"
last = "2024-02-20"
"#;

// --- the runs ------------------------------------------------------------------------------------

/// Reads a file; how many were read and how many refused is counted.
fn try_log(content: &[u8], options: &ReadOptions, counts: &mut [u32; 2], check: impl FnOnce(&Log)) {
    let path = file(content);
    let read = read_log(&path, options);
    std::fs::remove_file(&path).ok();
    match read {
        Ok(log) => {
            counts[0] += 1;
            check(&log);
        }
        Err(error) => {
            counts[1] += 1;
            check_refusal(&error, &path);
        }
    }
}

/// Such a run shows something only where files are both read and refused.
fn assert_both(counts: [u32; 2], runs: u32) {
    let [read, refused] = counts;
    assert_eq!(read + refused, runs);
    assert!(
        read > runs / 50 && refused > runs / 10,
        "{read} read, {refused} refused"
    );
}

#[test]
fn text_3500() {
    let mut chance = Chance(1);
    let mut counts = [0; 2];
    let kinds = [(ENGLISH, plain(), b','), (GERMAN, german(), b';')];
    for run in 0..3500 {
        let (text, options, separator) = &kinds[run % 2];
        let mut text = text.as_bytes().to_vec();
        for _ in 0..1 + chance.below(3) {
            damage_text(&mut text, *separator, &mut chance);
        }
        try_log(&text, options, &mut counts, |log| {
            check_text(log, &text, options)
        });
    }
    assert_both(counts, 3500);
}

fn gzip(text: &[u8]) -> Vec<u8> {
    let mut writer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    writer.write_all(text).expect("room");
    writer.finish().expect("room")
}

fn compressed(seed: u64, pack: fn(&[u8]) -> Vec<u8>, unpack: fn(&[u8]) -> Option<Vec<u8>>) {
    let mut chance = Chance(seed);
    let mut counts = [0; 2];
    let options = plain();
    for run in 0..1000 {
        let mut text = ENGLISH.as_bytes().to_vec();
        if run % 2 == 0 {
            damage_text(&mut text, b',', &mut chance);
        }
        let mut packed = pack(&text);
        if run % 2 == 1 {
            damage_bytes(&mut packed, &mut chance);
        }
        try_log(&packed, &options, &mut counts, |log| {
            let text = unpack(&packed).expect("a file that unpacks");
            check_text(log, &text, &options);
        });
    }
    assert_both(counts, 1000);
}

#[test]
fn gzip_1000() {
    compressed(2, gzip, |packed| {
        let mut text = Vec::new();
        flate2::read::MultiGzDecoder::new(packed)
            .read_to_end(&mut text)
            .ok()?;
        Some(text)
    });
}

#[test]
fn zstd_1000() {
    compressed(
        3,
        |text| zstd::encode_all(text, 1).expect("room"),
        |packed| zstd::decode_all(packed).ok(),
    );
}

/// A workbook of these figures, and over one of the first column's a word.
fn workbook(cells: &[[Option<f64>; 2]], word: Option<(usize, &str)>) -> Vec<u8> {
    let dated = Format::new().set_num_format("yyyy-mm-dd hh:mm:ss");
    let mut book = Workbook::new();
    let sheet = book.add_worksheet();
    for (at, title) in (0..).zip(["time", "feed_flow [m3/h]", "feed_pressure [bar]"]) {
        sheet.write_string(0, at, title).expect("a cell");
    }
    for (row, figures) in (1_u32..).zip(cells) {
        let day = ExcelDateTime::from_ymd(2026, 1, 1);
        let time = day
            .and_then(|day| day.and_hms(row as u16, 30, 0))
            .expect("a time");
        sheet
            .write_datetime_with_format(row, 0, &time, &dated)
            .expect("a cell");
        for (at, figure) in (1..).zip(figures) {
            if let Some(figure) = figure {
                sheet.write_number(row, at, *figure).expect("a cell");
            }
        }
        if let Some((_, word)) = word.filter(|(at, _)| at + 1 == row as usize) {
            sheet.write_string(row, 1, word).expect("a cell");
        }
    }
    book.save_to_buffer().expect("a workbook")
}

#[test]
fn workbook_1000() {
    let mut chance = Chance(4);
    let mut counts = [0; 2];
    let (mut cells, mut over, mut good) = (Vec::new(), None, Vec::new());
    for run in 0..1000 {
        if run % 4 == 0 {
            // Figures and gaps, some words that no figure is.
            cells = (0..1 + chance.below(8))
                .map(|_| {
                    [(); 2].map(|()| {
                        (chance.below(5) > 0).then(|| chance.below(100_000) as f64 / 64.0)
                    })
                })
                .collect::<Vec<_>>();
            let word = String::from_utf8_lossy(NASTY[chance.below(NASTY.len())]).replace('\0', " ");
            over = (run % 8 == 0).then(|| (chance.below(cells.len()), word));
            good = workbook(&cells, over.as_ref().map(|(at, word)| (*at, word.as_str())));
        }
        let mut bytes = good.clone();
        if run % 4 > 0 {
            damage_bytes(&mut bytes, &mut chance);
        }
        try_log(&bytes, &plain(), &mut counts, |log| {
            assert_eq!(log.table.len(), cells.len());
            for (at, column) in [Column::FeedFlow, Column::FeedPressure]
                .into_iter()
                .enumerate()
            {
                let values = &log.get(column).expect("the column").values;
                for (row, figures) in cells.iter().enumerate() {
                    let mut written = figures[at].unwrap_or(f64::NAN);
                    if let (0, Some((_, word))) = (at, over.as_ref().filter(|(of, _)| *of == row)) {
                        written = figure(word.trim(), false);
                    }
                    assert!(
                        same(written, values[row]),
                        "{written}, read {}",
                        values[row]
                    );
                }
            }
        });
    }
    assert_both(counts, 1000);
}

#[test]
fn parquet_1500() {
    let mut chance = Chance(5);
    let mut counts = [0; 2];
    let log = read(ENGLISH, &plain()).expect("a good file");
    let path = file(b"");
    Output {
        table: &log.table,
        reasons: None,
    }
    .write_parquet(&path)
    .expect("a file");
    let good = std::fs::read(&path).expect("the file");
    for _ in 0..1500 {
        let mut bytes = good.clone();
        damage_bytes(&mut bytes, &mut chance);
        std::fs::write(&path, &bytes).expect("the file");
        match read_log(&path, &ReadOptions::default()) {
            Ok(log) => {
                counts[0] += 1;
                check_parquet(&log, &path);
            }
            Err(error) => {
                counts[1] += 1;
                check_refusal(&error, &path);
            }
        }
    }
    std::fs::remove_file(path).ok();
    assert_both(counts, 1500);
}

/// Holds a log against the columns of the file, as the Arrow reader gives them.
fn check_parquet(log: &Log, path: &Path) {
    let opened = std::fs::File::open(path).expect("the file");
    let reader = ParquetRecordBatchReaderBuilder::try_new(opened)
        .and_then(|builder| builder.build())
        .expect("a file that was read");
    let batches: Vec<RecordBatch> = reader
        .collect::<Result<_, _>>()
        .expect("a file that was read");
    let mut first = 0;
    for batch in &batches {
        for (field, array) in batch.schema().fields().iter().zip(batch.columns()) {
            let (title, rows) = (field.name().as_str(), first..first + array.len());
            if title == "time" {
                let times = array.as_primitive::<TimestampMicrosecondType>();
                assert_eq!(times.values()[..], log.table.time[rows]);
            } else if title == "train" {
                let words = arrow_cast::cast(array, &DataType::Utf8).expect("words");
                let labels = log.table.labels[0].as_ref().expect("trains");
                for (at, row) in rows.enumerate() {
                    assert_eq!(words.as_string::<i32>().value(at).trim(), labels.word(row));
                }
            } else if let Some((column, unit)) = column(title) {
                let figures = arrow_cast::cast(array, &DataType::Float64).expect("figures");
                let figures = figures.as_primitive::<Float64Type>();
                let values = &log.get(column).expect("the column").values;
                for (at, row) in rows.enumerate() {
                    let figure = if figures.is_null(at) {
                        f64::NAN
                    } else {
                        unit.to_canonical(figures.value(at))
                    };
                    assert!(same(figure, values[row]), "{title} of row {row}");
                }
            } else {
                assert!(
                    log.left_out.iter().any(|left| left == title.trim()),
                    "{title} was lost"
                );
            }
        }
        first += batch.num_rows();
    }
    assert_eq!(log.table.len(), first);
}

#[test]
fn site_1000() {
    let mut chance = Chance(6);
    let mut counts = [0; 2];
    let nowhere = Path::new("nowhere");
    check_site(&Site::parse(SITE).expect("a good file"), SITE);
    for _ in 0..1000 {
        let mut bytes = SITE.as_bytes().to_vec();
        damage_text(&mut bytes, b'=', &mut chance);
        let text = String::from_utf8_lossy(&bytes);
        match Site::parse(&text) {
            Ok(site) => {
                counts[0] += 1;
                check_site(&site, &text);
            }
            Err(error) => {
                counts[1] += 1;
                check_refusal(&error, nowhere);
            }
        }
    }
    assert_both(counts, 1000);
}

fn check_site(site: &Site, text: &str) {
    let file: toml::Table = text.parse().expect("TOML");
    let size = |key: &str| {
        file.get(key).map_or(0, |value| {
            value
                .as_table()
                .map_or_else(|| value.as_array().map_or(0, Vec::len), toml::Table::len)
        })
    };
    assert_eq!(Some(site.name.as_str()), file["site"]["name"].as_str());
    assert_eq!(site.assume.len(), size("assume"));
    assert_eq!(site.instruments.len(), size("instruments"));
    assert_eq!(site.limits.len(), size("limits"));
    assert_eq!(site.events.len(), size("event"));
    assert_eq!(site.service.len(), size("service"));
    assert_eq!(site.recycle, file.contains_key("recycle"));
    let stages = file["stage"].as_array().expect("stages");
    assert_eq!(site.stages.len(), stages.len());
    for (stage, written) in site.stages.iter().zip(stages) {
        assert_eq!(
            Some(i64::from(stage.vessels)),
            written["vessels"].as_integer()
        );
        assert_eq!(
            Some(i64::from(stage.elements_per_vessel)),
            written["elements_per_vessel"].as_integer()
        );
    }
    let area = file["element"]["area"].as_str().expect("an area").trim();
    let (figure, unit) = area.split_at(
        area.find(|c: char| !(c.is_ascii_digit() || "+-.e".contains(c)))
            .expect("a unit"),
    );
    let area: f64 = figure.parse().expect("a figure");
    assert_eq!(
        site.element.area_m2,
        Unit::parse(unit).expect("a unit").to_canonical(area)
    );
    for (column, assumed) in &site.assume {
        let written = &file["assume"][column.name()];
        assert_eq!(
            assumed.text,
            written
                .as_str()
                .map_or_else(|| written.to_string(), str::to_owned)
        );
    }
}

#[test]
fn mapping_1000() {
    let mut chance = Chance(7);
    let mut counts = [0; 2];
    for _ in 0..1000 {
        let mut bytes = MAPPING.as_bytes().to_vec();
        damage_text(&mut bytes, b'=', &mut chance);
        let text = String::from_utf8_lossy(&bytes);
        match ReadOptions::from_toml(&text) {
            Ok(mapping) => {
                counts[0] += 1;
                check_mapping(&mapping, &text);
            }
            Err(error) => {
                counts[1] += 1;
                check_refusal(&error, Path::new("nowhere"));
            }
        }
    }
    assert_both(counts, 1000);
}

fn check_mapping(mapping: &ReadOptions, text: &str) {
    let file: toml::Table = text.parse().expect("TOML");
    let text = |key: &str| {
        file.get(key)
            .and_then(toml::Value::as_str)
            .map(str::to_owned)
    };
    assert_eq!(mapping.time_zone, text("time_zone"));
    assert_eq!(mapping.time_format, text("time_format"));
    assert_eq!(mapping.decimal.map(String::from), text("decimal"));
    let separator =
        text("separator").map(|word| if word == "tab" { "\t".to_owned() } else { word });
    assert_eq!(mapping.separator.map(String::from), separator);
    assert_eq!(
        mapping.time_label.is_some(),
        file.contains_key("time_label")
    );
    assert_eq!(mapping.interval_h.is_some(), file.contains_key("interval"));
    assert_eq!(
        mapping.header_row.map(|row| row as i64),
        file.get("header_row").and_then(toml::Value::as_integer)
    );
    assert_eq!(
        mapping.units_row,
        file.get("units_row").and_then(toml::Value::as_bool)
    );
    assert_eq!(
        mapping.sort,
        file.get("sort").and_then(toml::Value::as_bool)
    );
    let none = toml::Table::new();
    let columns = file
        .get("columns")
        .map_or(&none, |columns| columns.as_table().expect("a table"));
    assert_eq!(mapping.columns.len(), columns.len());
    for (theirs, ours) in &mapping.columns {
        let written: Vec<&str> = match &columns[theirs] {
            toml::Value::Array(several) => several.iter().filter_map(toml::Value::as_str).collect(),
            one => one.as_str().into_iter().collect(),
        };
        assert_eq!(*ours, written);
    }
}

// --- what such files have brought to light -------------------------------------------------------

fn said(content: impl AsRef<[u8]>, options: &ReadOptions) -> String {
    read(content, options).expect_err("a refusal").to_string()
}

#[test]
fn a_quote_that_is_open_where_the_file_ends_loses_no_reading() {
    // Behind it, all that follows would be one remark of the second reading.
    let text = "time,feed_ph,remark\n2026-01-01T00:00Z,7,\n2026-01-01T01:00Z,7,\"a pump\n2026-01-01T02:00Z,7.5,\n";
    let error = read(text, &plain()).expect_err("a refusal");
    assert_eq!(error.faults()[0].line, Some(3), "{error}");
    assert!(error.to_string().contains("never closed"), "{error}");
    // Nor does it hide other faults.
    let faults = read(text.replace(",7,\n", ",7\n"), &plain())
        .expect_err("a refusal")
        .faults();
    assert_eq!(
        faults.iter().map(|fault| fault.line).collect::<Vec<_>>(),
        [Some(2), Some(3)]
    );
    assert!(
        said("time,\"feed_ph\n2026-01-01T00:00Z,7\n", &plain())
            .contains("line 1: the header has a quote")
    );
    for closed in [
        "\"a pump\"",
        "\"a \"\"pump\"\"\"",
        "a 6\" pipe",
        "\"\"",
        "\"a\nb\"\n\n",
    ] {
        let text = format!("time,feed_ph,remark\n2026-01-01T00:00Z,7,{closed}");
        assert_eq!(read(text, &plain()).expect(closed).table.len(), 1);
    }
}

#[test]
fn a_figure_that_its_unit_makes_infinite_is_refused() {
    for (figure, decimal) in [
        ("1e308", None),
        ("1e308", Some('.')),
        ("1,5e307", Some(',')),
    ] {
        let options = ReadOptions {
            decimal,
            separator: Some(';'),
            ..plain()
        };
        let text = format!("time;feed_conductivity [mS/cm]\n2026-01-01T00:00Z;{figure}\n");
        assert!(
            said(text, &options).contains("not a finite figure"),
            "{figure}"
        );
    }
}

#[test]
fn a_zone_in_brackets_is_not_passed_over() {
    for time in [
        "2026-03-01T08:15[America/Denver]",
        "2026-03-01[u-ca=iso8601]",
    ] {
        assert!(
            said(format!("time,feed_ph\n{time},7\n"), &plain()).contains("not a time"),
            "{time}"
        );
    }
    let told = "time,feed_ph\n2026-03-01T08:15-07:00[America/Denver],7\n";
    assert_eq!(
        read(told, &plain())
            .expect("a time with its offset")
            .table
            .len(),
        1
    );
}

#[test]
fn times_of_before_there_were_zones_come_back() {
    let denver = options("time_zone = \"America/Denver\"");
    let log = read("time,feed_ph\n1880-01-01T00:00:00,7\n", &denver).expect("a log");
    let path = file(b"");
    Output {
        table: &log.table,
        reasons: None,
    }
    .write_csv(&path)
    .expect("a file");
    assert_eq!(
        read_log(&path, &denver).expect("our file").table.time,
        log.table.time
    );
    std::fs::remove_file(path).ok();
}

#[test]
fn figures_come_back_to_the_last_bit() {
    let mut text =
        String::from("time,feed_temperature [degF],feed_pressure [psi],permeate_flow [gpd]\n");
    let mut chance = Chance(8);
    for row in 0..3600 {
        let figures = [(); 3].map(|()| chance.below(2_000_000) as f64 / 10_000.0);
        text += &format!(
            "2026-01-01T{:02}:{:02}:00Z,{},{},{}\n",
            row / 60 % 24,
            row % 60,
            figures[0],
            figures[1],
            figures[2]
        );
    }
    let sorted = options("time_zone = \"UTC\"\nsort = true");
    let log = read(text, &sorted).expect("a log");
    let path = file(b"");
    Output {
        table: &log.table,
        reasons: None,
    }
    .write_csv(&path)
    .expect("a file");
    assert_eq!(
        read_log(&path, &plain()).expect("our file").hash(),
        log.hash()
    );
    std::fs::remove_file(path).ok();
}

#[test]
fn labels_without_end_fill_no_memory() {
    // As of a column of remarks, taken for trains: each pair of labels would have a place, 10^10 of them.
    let mut text = String::from("time,train,stage,feed_ph\n");
    for row in 0..100_000 {
        text += &format!("2026-01-01T00:00:00Z,a{row},b{row},7\n");
    }
    let (groups, rows) = read(text, &plain()).expect("a log").table.groups();
    assert_eq!((groups.len(), rows[99_999]), (100_000, 99_999));
}

#[test]
fn a_label_is_the_same_in_every_file() {
    let log = read(
        "time,train,feed_ph\n2026-01-01T00:00Z,\u{a0}A\u{2003},7\n",
        &plain(),
    )
    .expect("a log");
    assert_eq!(log.table.labels[0].as_ref().expect("trains").word(0), "A");
    let wide = read(
        "time,train \u{a0}A feed_pressure [bar]\n2026-01-01T00:00Z,7\n",
        &plain(),
    )
    .expect("a log");
    assert_eq!(wide.table.labels[0].as_ref().expect("trains").word(0), "A");
}

/// A table of times and one column.
fn batch(times: TimestampMicrosecondArray, title: &str, values: ArrayRef) -> Result<Log, Error> {
    let columns = [("time", Arc::new(times) as ArrayRef), (title, values)];
    let batch = RecordBatch::try_from_iter(columns).expect("a table");
    read_batches(&batch.schema(), std::slice::from_ref(&batch), &plain())
}

#[test]
fn columns_that_hold_no_readings_are_refused() {
    let times = || TimestampMicrosecondArray::from(vec![0, 1]).with_timezone("UTC");
    let refused = |title: &str, values: ArrayRef| {
        batch(times(), title, values)
            .expect_err("a refusal")
            .to_string()
    };
    let dates: ArrayRef = Arc::new(times());
    assert!(refused("feed_ph", dates).contains("which are no readings"));
    let flags: ArrayRef = Arc::new(BooleanArray::from(vec![true, false]));
    assert!(refused("feed_ph", Arc::clone(&flags)).contains("a column of figures"));
    assert!(batch(times(), "running", flags).is_ok());
    // Stage 1.5 is not stage 1.
    let labels: ArrayRef = Arc::new(Float64Array::from(vec![1.0, 1.5]));
    assert!(refused("stage", labels).contains("row 2, stage, '1.5': not a whole number"));
    let labels: ArrayRef = Arc::new(Float64Array::from(vec![Some(1.0), None]));
    assert!(refused("stage", labels).contains("row 2, stage: empty"));
}

#[test]
fn times_that_no_calendar_shows_are_refused() {
    for (times, options) in [
        (
            TimestampMicrosecondArray::from(vec![0, i64::MAX]).with_timezone("UTC"),
            plain(),
        ),
        (TimestampMicrosecondArray::from(vec![0, i64::MAX]), plain()),
    ] {
        let figures: ArrayRef = Arc::new(Float64Array::from(vec![7.0, 7.0]));
        let columns = [("time", Arc::new(times) as ArrayRef), ("feed_ph", figures)];
        let batch = RecordBatch::try_from_iter(columns).expect("a table");
        let error = read_batches(&batch.schema(), std::slice::from_ref(&batch), &options)
            .expect_err("a refusal");
        assert!(error.to_string().contains("row 2, time"), "{error}");
    }
    let late = "time,feed_ph\n9999-12-30T21:00Z,7\n";
    let mean = options("time_label = \"interval-start\"\ninterval = \"30 d\"");
    assert!(said(late, &mean).contains("outside the years"));
}

#[test]
fn a_site_file_can_not_overflow() {
    let said = |text: &str| Site::parse(text).expect_err("a refusal").to_string();
    let many = SITE.replace(
        "[recycle]",
        &"[[stage]]\nvessels = 100000\nelements_per_vessel = 100\n\n".repeat(500),
    );
    assert!(
        said(&many.replace("returns_to = \"feed\"\n", ""))
            .contains("more than ten million elements")
    );
    let sum = ["0.1 gpm"; 200_000].join(" + ");
    let long = SITE.replace("2 % of 8 gpm", &sum);
    let flow = Site::parse(&long).expect("a sum").instruments[&Column::PermeateFlow]
        .accuracy
        .expect("an accuracy");
    assert!((flow.absolute / 4542.494 - 1.0).abs() < 1e-6);
    let infinite = SITE.replace("2 % of 8 gpm", "1.7e308 MGD");
    assert!(said(&infinite).contains("not a finite figure"));
}
