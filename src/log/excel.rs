//! Workbooks (.xlsx, .xls, .ods): the sheet with the readings, written as text, so that its rows go the way of any
//! text file's.
//!
//! Figures are written with as few digits as bring back the same value, times as their local clock shows them,
//! in ISO 8601. `#N/A` is a sheet's way to say that there is no reading; any other error of a sheet is a fault. A
//! row of the sheet is a line of the text, so that faults name the sheet's own rows.

use std::collections::BTreeSet;
use std::fs::File;
use std::io::{BufReader, Cursor, Read as _};
use std::path::Path;

use calamine::{Data, ExcelDateTime, Reader, SheetType, Sheets};

use super::header::Header;
use super::options::ReadOptions;
use super::text::{SHEET_SEPARATOR, TextBlocks};
use crate::error::{Error, Fault};

/// A workbook that would unpack to more than this is no log of readings but a trap, or wants another format.
const LARGEST: u64 = 1 << 30;
/// Cells of a sheet, likewise.
const MOST_CELLS: usize = 20_000_000;
/// Rows of a sheet; no program makes more (common practice, no source).
const MOST_ROWS: u32 = 1 << 20;

type Workbook = Sheets<BufReader<File>>;

/// A cell of a sheet.
enum Cell {
    Text(String),
    /// A date and a time of day, in ISO 8601.
    Time {
        date: String,
        time: String,
    },
}

/// The text of the sheet that holds the readings.
pub(super) fn text(path: &Path, file: File, options: &ReadOptions) -> Result<Vec<u8>, Error> {
    let mut workbook = open(path, file)?;
    let names: Vec<String> = workbook
        .sheets_metadata()
        .iter()
        .filter(|sheet| sheet.typ == SheetType::WorkSheet)
        .map(|sheet| sheet.name.clone())
        .collect();
    let listed = || names.join(", ");
    if let Some(wanted) = &options.sheet {
        if !names.contains(wanted) {
            let fault = Fault::new("no sheet of this name", format!("there is: {}", listed()));
            return Err(Error::Log(
                fault.at_column("sheet").with_value(wanted).into(),
            ));
        }
        return sheet_text(path, &mut workbook, wanted, options);
    }
    let mut filled = Vec::new();
    for name in &names {
        let text = sheet_text(path, &mut workbook, name, options)?;
        if !text.is_empty() {
            filled.push(text);
        }
    }
    if filled.len() > 1 {
        // Notes and charts stand beside readings, but have no column of times.
        filled.retain(|text| has_times(path, text, options));
    }
    match filled.len() {
        0 | 1 if names.len() <= 1 => Ok(filled.pop().unwrap_or_default()),
        1 => Ok(filled.swap_remove(0)),
        several => {
            let problem = match several {
                0 => "no sheet has a column of times",
                _ => "several sheets have a column of times",
            };
            let remedy = format!("give sheet=\"NAME\"; there is: {}", listed());
            Err(Error::Log(Fault::new(problem, remedy).into()))
        }
    }
}

fn has_times(path: &Path, text: &[u8], options: &ReadOptions) -> bool {
    let source = Box::new(Cursor::new(text.to_vec()));
    TextBlocks::of_sheet(path, source, options)
        .is_ok_and(|blocks| Header::has_times(&blocks.titles, options))
}

fn open(path: &Path, file: File) -> Result<Workbook, Error> {
    let refuse = |problem: String, remedy: &str| {
        Error::File(Fault::new(format!("{}: {problem}", path.display()), remedy))
    };
    let damaged = |cause: String| {
        refuse(
            format!("the workbook can't be read: {cause}"),
            "open it in the program that made it and save it anew, without a password",
        )
    };
    let again = || {
        File::open(path)
            .map(BufReader::new)
            .map_err(|cause| Error::file(path, "opened", cause))
    };
    let Ok(mut archive) = zip::ZipArchive::new(BufReader::new(file)) else {
        return match calamine::Xls::new(again()?) {
            Ok(xls) => Ok(Sheets::Xls(xls)),
            Err(cause) => Err(damaged(cause.to_string())),
        };
    };
    let too_large = |bytes: u64| {
        refuse(
            format!("a workbook that unpacks to {bytes} bytes, more than {LARGEST}"),
            "save the sheet as CSV",
        )
    };
    let mut bytes = 0_u64;
    for at in 0..archive.len() {
        let part = archive
            .by_index_raw(at)
            .map_err(|cause| damaged(cause.to_string()))?;
        bytes = bytes.saturating_add(part.size());
    }
    if bytes > LARGEST {
        return Err(too_large(bytes));
    }
    // What reads a sheet stops where it has seen enough, and so before the checksum. Nor need a part be as long as
    // the archive says.
    let mut unpacked = 0;
    for at in 0..archive.len() {
        let part = archive
            .by_index(at)
            .map_err(|cause| damaged(cause.to_string()))?;
        unpacked += std::io::copy(&mut part.take(LARGEST + 1 - unpacked), &mut std::io::sink())
            .map_err(|cause| damaged(cause.to_string()))?;
        if unpacked > LARGEST {
            return Err(too_large(unpacked));
        }
    }
    let has = |name| archive.index_for_name(name).is_some();
    if has("content.xml") {
        calamine::Ods::new(again()?)
            .map(Sheets::Ods)
            .map_err(|cause| damaged(cause.to_string()))
    } else if has("xl/workbook.bin") {
        Err(refuse("a binary workbook".to_owned(), "save it as .xlsx"))
    } else if has("[Content_Types].xml") {
        calamine::Xlsx::new(again()?)
            .map(Sheets::Xlsx)
            .map_err(|cause| damaged(cause.to_string()))
    } else {
        Err(refuse(
            "a zip archive that is no workbook".to_owned(),
            "unpack it first, or compress the log with gzip or zstd",
        ))
    }
}

/// A sheet as text; nothing where it is empty.
fn sheet_text(
    path: &Path,
    workbook: &mut Workbook,
    name: &str,
    options: &ReadOptions,
) -> Result<Vec<u8>, Error> {
    let refuse = |problem: String| {
        let fault = Fault::new(
            format!("{}: {problem}", path.display()),
            "save the sheet as CSV",
        );
        Error::File(fault.at_column(format!("sheet '{name}'")))
    };
    let mut cells: Vec<((u32, u32), Cell)> = Vec::new();
    let mut keep = |at: (u32, u32), value: Data| {
        if cells.len() == MOST_CELLS {
            return Err(refuse(format!("more than {MOST_CELLS} cells")));
        }
        if at.0 >= MOST_ROWS {
            return Err(refuse(format!("more than {MOST_ROWS} rows")));
        }
        if let Some(cell) = cell(value, options.decimal) {
            cells.push((at, cell));
        }
        Ok(())
    };
    if let Sheets::Xlsx(xlsx) = workbook {
        // Cell by cell: a range would have room for every cell between the outermost two.
        let fail = |cause: calamine::XlsxError| refuse(format!("can't be read: {cause}"));
        let mut reader = xlsx.worksheet_cells_reader(name).map_err(fail)?;
        while let Some(next) = reader.next_cell().map_err(fail)? {
            keep(next.get_position(), next.get_value().clone().into())?;
        }
    } else {
        let range = workbook
            .worksheet_range(name)
            .map_err(|cause| refuse(format!("can't be read: {cause}")))?;
        let (row, column) = range.start().unwrap_or_default();
        for (down, right, value) in range.used_cells() {
            let at = (
                row.saturating_add(down as u32),
                column.saturating_add(right as u32),
            );
            keep(at, value.clone())?;
        }
    }
    // Cells stand in any order; of two at one place the last counts.
    cells.sort_by_key(|(at, _)| *at);
    write(&cells).ok_or_else(|| refuse(format!("more than {LARGEST} bytes of text")))
}

/// A cell's text; nothing where it is empty.
fn cell(value: Data, decimal: Option<char>) -> Option<Cell> {
    let figure = |text: String| match decimal {
        Some(',') => text.replace('.', ","),
        _ => text,
    };
    Some(Cell::Text(match value {
        Data::Empty => return None,
        Data::Int(whole) => whole.to_string(),
        Data::Float(value) => figure(value.to_string()),
        Data::Bool(value) => value.to_string(),
        Data::Error(error) => error.to_string(),
        Data::DurationIso(text) => text,
        Data::DateTime(time) => return Some(serial(time)),
        Data::DateTimeIso(text) => {
            let (date, time) = text.split_once('T').unwrap_or((&text, MIDNIGHT));
            return Some(Cell::Time {
                date: date.to_owned(),
                time: time.to_owned(),
            });
        }
        // What keeps cells and rows apart can't stand in one.
        Data::String(text) => {
            let text = text.replace(['\t', '\n', '\r'], " ");
            if text.trim().is_empty() {
                return None;
            }
            text
        }
    }))
}

const MIDNIGHT: &str = "00:00:00";

/// A day and time that the sheet keeps as a number of days.
fn serial(serial: ExcelDateTime) -> Cell {
    let days = serial.as_f64();
    let (year, month, day, hour, minute, second, milli) = serial.to_ymd_hms_milli();
    let time = match milli {
        0 => format!("{hour:02}:{minute:02}:{second:02}"),
        _ => format!("{hour:02}:{minute:02}:{second:02}.{milli:03}"),
    };
    if serial.is_duration() {
        Cell::Text(format!("{days} days"))
    } else if !(days >= 1.0) {
        // A time of day that belongs to no date.
        Cell::Text(time)
    } else {
        let date = format!("{year:04}-{month:02}-{day:02}");
        Cell::Time { date, time }
    }
}

/// Cells in their order as lines of text; nothing where it would be too long.
fn write(cells: &[((u32, u32), Cell)]) -> Option<Vec<u8>> {
    // Sheets keep a date alone as its midnight. A column that has only midnights holds dates.
    let timed: BTreeSet<u32> = cells
        .iter()
        .filter(|(_, cell)| matches!(cell, Cell::Time { time, .. } if time != MIDNIGHT))
        .map(|((_, column), _)| *column)
        .collect();
    let columns: Vec<u32> = cells
        .iter()
        .map(|((_, column), _)| *column)
        .collect::<BTreeSet<_>>()
        .into_iter()
        .collect();
    let mut text = Vec::new();
    let mut line = 0;
    for row in cells.chunk_by(|a, b| a.0.0 == b.0.0) {
        let Some(((at, _), _)) = row.first() else {
            continue;
        };
        text.resize(text.len() + (at - line) as usize, b'\n');
        line = at + 1;
        let mut of_row = row.iter().peekable();
        for (position, column) in columns.iter().enumerate() {
            if position > 0 {
                text.push(SHEET_SEPARATOR);
            }
            let mut here = None;
            while let Some((_, cell)) = of_row.next_if(|((_, at), _)| at == column) {
                here = Some(cell);
            }
            match here {
                Some(Cell::Text(cell)) => push_quoted(&mut text, cell),
                Some(Cell::Time { date, time }) => {
                    text.extend_from_slice(date.as_bytes());
                    if timed.contains(column) {
                        text.push(b'T');
                        text.extend_from_slice(time.as_bytes());
                    }
                }
                None => {}
            }
        }
        text.push(b'\n');
        if text.len() as u64 > LARGEST {
            return None;
        }
    }
    Some(text)
}

fn push_quoted(text: &mut Vec<u8>, cell: &str) {
    if cell.contains('"') {
        text.push(b'"');
        text.extend_from_slice(cell.replace('"', "\"\"").as_bytes());
        text.push(b'"');
    } else {
        text.extend_from_slice(cell.as_bytes());
    }
}
