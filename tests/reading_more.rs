//! Logs as they are: other separators and decimals, compressed, workbooks, Parquet, wide, in several files, with
//! clocks that change.

mod common;

use std::io::Write as _;
use std::path::PathBuf;

use brinemark::log::{
    ClockChange, Column, LogReader, ReadOptions, TimeLabel, read_log, read_logs, sample,
};
use brinemark::write::Output;
use brinemark::{Error, Log};
use common::{file, read, read_blocks};
use proptest::prelude::*;
use rust_xlsxwriter::{ExcelDateTime, Format, Workbook};

const HOUR: i64 = 3_600_000_000;

fn options(toml: &str) -> ReadOptions {
    ReadOptions::from_toml(toml).expect("a mapping that is right")
}

fn utc() -> ReadOptions {
    options("time_zone = \"UTC\"")
}

/// Writes a file, does something with it, and takes it away again.
fn with_file<T>(content: &[u8], act: impl FnOnce(&PathBuf) -> T) -> T {
    let path = file(content);
    let done = act(&path);
    std::fs::remove_file(path).ok();
    done
}

fn values(log: &Log, column: Column) -> Vec<f64> {
    let series = log.get(column).expect("the column");
    series.in_own_unit().collect()
}

fn said(read: Result<Log, Error>) -> String {
    read.expect_err("a refusal").to_string()
}

fn gzip(text: &[u8]) -> Vec<u8> {
    let mut writer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    writer.write_all(text).expect("room");
    writer.finish().expect("room")
}

fn zstd(text: &[u8]) -> Vec<u8> {
    let mut writer = zstd::stream::write::Encoder::new(Vec::new(), 1).expect("an encoder");
    writer.include_checksum(true).expect("a checksum");
    writer.write_all(text).expect("room");
    writer.finish().expect("room")
}

fn parquet(log: &Log) -> Vec<u8> {
    let path = file(b"");
    let output = Output {
        table: &log.table,
        reasons: None,
    };
    output.write_parquet(&path).expect("a table");
    let bytes = std::fs::read(&path).expect("the file");
    std::fs::remove_file(path).ok();
    bytes
}

/// A workbook of one sheet, `skipped` rows down: times as such, figures as such.
fn workbook(figures: &[Option<f64>], skipped: u32) -> Vec<u8> {
    let mut book = Workbook::new();
    let sheet = book.add_worksheet();
    let dated = Format::new().set_num_format("yyyy-mm-dd hh:mm:ss");
    sheet.write_string(skipped, 0, "time").expect("a cell");
    sheet
        .write_string(skipped, 1, "feed_flow [m3/h]")
        .expect("a cell");
    for (row, figure) in (0_u32..).zip(figures) {
        let at = skipped + 1 + row;
        let time = ExcelDateTime::from_ymd(2026, 1, 1).and_then(|day| {
            day.and_hms(
                8 + (row / 3600) as u16,
                (row / 60 % 60) as u8,
                f64::from(row % 60),
            )
        });
        let time = time.expect("a time of 2026");
        sheet
            .write_datetime_with_format(at, 0, &time, &dated)
            .expect("a cell");
        if let Some(figure) = figure {
            sheet.write_number(at, 1, *figure).expect("a cell");
        }
    }
    book.save_to_buffer().expect("a workbook")
}

// --- text ----------------------------------------------------------------------------------------

#[test]
fn a_german_export_with_a_preamble_and_a_row_of_units() {
    let text = "Anlage 7; exportiert 2026-03-02\n\nZeit;Druck ein;Permeat;Bemerkung\n;psi;[gpm];\n\
                01.03.2026 08:00;1.234,5;12,50;läuft\n01.03.2026 09:00;170;1 234,5;\n";
    let german = options(
        "time_zone = \"Etc/GMT+7\"\ntime_format = \"%d.%m.%Y %H:%M\"\ndecimal = \",\"\nheader_row = 3\n\
         units_row = true\n[columns]\nZeit = \"time\"\n\"Druck ein\" = \"feed_pressure\"\nPermeat = \"permeate_flow\"\n\
         Bemerkung = false\n",
    );
    let log = read(text, &german).unwrap();
    assert_eq!(log.left_out, ["Bemerkung"]);
    let near = |a: f64, b: f64| (a - b).abs() < 1e-9;
    let pressures = values(&log, Column::FeedPressure);
    assert!(
        near(pressures[0], 1234.5) && near(pressures[1], 170.0),
        "{pressures:?}"
    );
    assert!(near(values(&log, Column::PermeateFlow)[1], 1234.5));
    assert_eq!(log.written_to["feed_pressure"], 0.1);
    assert_eq!(log.written_to["permeate_flow"], 0.01);
    // Faults name the lines of the file.
    let wrong = text.replace("170;", "17O;");
    let faults = read(wrong, &german).unwrap_err().faults();
    assert_eq!((faults[0].row, faults[0].line), (Some(2), Some(6)));
    let no_line = ReadOptions {
        header_row: Some(60),
        ..german
    };
    assert!(said(read(text, &no_line)).contains("no header here"));
}

#[test]
fn what_stands_between_cells_is_never_guessed() {
    let doubtful = "time;feed_pressure [bar];remark, if any\n2026-01-01T00:00Z;9;\n";
    assert!(said(read(doubtful, &utc())).contains("separator=\";\""));
    let told = options("separator = \";\"");
    assert_eq!(read(doubtful, &told).unwrap().table.len(), 1);
    let tabs = "time\tfeed_pressure (bar, gauge) [bar]\n";
    assert!(said(read(tabs, &utc())).contains("no readings"));
}

#[test]
fn the_unit_is_given_once() {
    let twice = "time,feed_pressure [psi]\n,bar\n2026-01-01T00:00Z,9\n";
    let with_units = options("units_row = true");
    assert!(said(read(twice, &with_units)).contains("give the unit once"));
    let alike = twice.replace("bar", "(psi)");
    assert_eq!(read(alike, &with_units).unwrap().table.len(), 1);
}

#[test]
fn few_visits_a_year_are_a_log() {
    for rows in 2..20 {
        let mut text = String::from("time,permeate_flow [gpm]\n");
        for row in 0..rows {
            text += &format!("2026-01-{:02} 09:30,{}.5\n", row + 1, row);
        }
        let log = read(&text, &utc()).unwrap();
        assert_eq!(log.table.len(), rows);
        assert_eq!(log.written_to["permeate_flow"], 0.1);
        assert_eq!(read_blocks(&text, &utc()).unwrap().len(), 1);
    }
}

// --- compressed ----------------------------------------------------------------------------------

/// Text long enough for several blocks.
fn long() -> String {
    let remark = "nothing to remark; ".repeat(10);
    let mut text = String::from("time,feed_pressure [bar],remark\n");
    for row in 0..110_000 {
        let (hour, minute, second) = (row / 3600 % 24, row / 60 % 60, row % 60);
        let day = row / 86_400 + 1;
        text += &format!(
            "2026-01-{day:02}T{hour:02}:{minute:02}:{second:02}Z,{}.25,{remark}\n",
            row % 1000
        );
    }
    text
}

#[test]
fn compressed_text_is_the_same_log_whole_and_in_blocks() {
    let text = long();
    let plain = read(&text, &utc()).unwrap();
    for packed in [gzip(text.as_bytes()), zstd(text.as_bytes())] {
        let mut shares = Vec::new();
        let whole = with_file(&packed, |path| {
            read_logs(std::slice::from_ref(path), &utc(), |share| {
                shares.push(share)
            })
        })
        .unwrap();
        assert_eq!(whole.hash(), plain.hash());
        assert!(shares.len() > 1 && shares.is_sorted() && shares.last() == Some(&1.0));
        let blocks = read_blocks(&packed, &utc()).unwrap();
        assert!(blocks.len() > 1);
        let times: Vec<i64> = blocks
            .iter()
            .flat_map(|block| block.table.time.to_vec())
            .collect();
        assert_eq!(times, *plain.table.time);
        // A damaged file is never taken for a shorter one.
        let cut = &packed[..packed.len() - 1];
        assert!(matches!(read_blocks(cut, &utc()), Err(Error::File(_))));
        let mut spoilt = packed.clone();
        spoilt[packed.len() / 2] ^= 0x10;
        assert!(read(&spoilt, &utc()).is_err());
    }
    // Parts that were packed one by one and put together are one file.
    let (head, rest) = text.split_at(text.len() / 2);
    for pack in [gzip, zstd] {
        let both = [pack(head.as_bytes()), pack(rest.as_bytes())].concat();
        assert_eq!(read(both, &utc()).unwrap().hash(), plain.hash());
    }
}

#[test]
fn what_unpacks_without_end_is_refused_in_bounded_memory() {
    // 1 GiB of one letter, in a cell that never ends.
    let letters = vec![b'x'; 1 << 20];
    let mut writer = zstd::stream::write::Encoder::new(Vec::new(), 1).unwrap();
    writer
        .write_all(b"time,remark,feed_ph\n2026-01-01T00:00Z,")
        .unwrap();
    for _ in 0..1024 {
        writer.write_all(&letters).unwrap();
    }
    let bomb = writer.finish().unwrap();
    assert!(said(read(&bomb, &utc())).contains("a record longer than"));
}

// --- workbooks -----------------------------------------------------------------------------------

#[test]
fn a_sheet_is_read_like_a_file() {
    let mut book = Workbook::new();
    let notes = book.add_worksheet().set_name("Notes").unwrap();
    notes.write_string(0, 0, "made by hand").unwrap();
    let dated = Format::new().set_num_format("dd.mm.yyyy hh:mm");
    let sheet = book.add_worksheet().set_name("Visits").unwrap();
    sheet.write_string(1, 1, "Plant seven, visits").unwrap();
    for (column, title) in (1..).zip(["time", "Feed\npressure", "running", "permeate_flow"]) {
        sheet.write_string(3, column, title).unwrap();
    }
    sheet.write_string(4, 2, "[psi]").unwrap();
    sheet.write_string(4, 4, "gpm").unwrap();
    for row in 0..3_u32 {
        let time = ExcelDateTime::from_ymd(2026, 3, 1 + row as u8)
            .and_then(|day| day.and_hms(8, 15, 0))
            .unwrap();
        let at = 6 + row;
        sheet
            .write_datetime_with_format(at, 1, &time, &dated)
            .unwrap();
        sheet.write_number(at, 2, 170.25).unwrap();
        sheet.write_boolean(at, 3, row != 1).unwrap();
        sheet.write_formula(at, 4, "=NA()").unwrap();
    }
    // A formula's stored result is what the sheet shows.
    sheet
        .write_formula(
            6,
            4,
            rust_xlsxwriter::Formula::new("=10+2").set_result("12"),
        )
        .unwrap();
    sheet
        .write_formula(
            7,
            4,
            rust_xlsxwriter::Formula::new("=NA()").set_result("#N/A"),
        )
        .unwrap();
    let wrong = rust_xlsxwriter::Formula::new("=1/0").set_result("#DIV/0!");
    sheet.write_formula(8, 4, wrong).unwrap();
    let packed = book.save_to_buffer().unwrap();
    let visits = options(
        "time_zone = \"Etc/GMT+7\"\nheader_row = 4\nunits_row = true\ntime_format = \"%d/%m/%Y\"\ndecimal = \",\"",
    );
    let error = read(&packed, &visits).unwrap_err();
    let faults = error.faults();
    assert_eq!(faults.len(), 1, "{error}");
    assert_eq!(
        (faults[0].row, faults[0].line),
        (Some(3), Some(9)),
        "{error}"
    );
    assert_eq!(faults[0].value.as_deref(), Some("#DIV/0!"));
    assert!(faults[0].problem.contains("an error of the sheet"));

    let fewer = ReadOptions {
        columns: [("permeate_flow".to_owned(), Vec::new())].into(),
        ..visits.clone()
    };
    let log = read(&packed, &fewer).unwrap();
    assert_eq!(log.table.len(), 3);
    assert_eq!(values(&log, Column::Running), [1.0, 0.0, 1.0]);
    // 2026-03-01T08:15, 7 h behind UTC.
    assert_eq!(
        log.table.time[0],
        1_772_323_200_000_000 + 15 * HOUR + HOUR / 4
    );
    assert!((values(&log, Column::FeedPressure)[0] - 170.25).abs() < 1e-12);
    assert!(log.written_to.is_empty());
    let elsewhere = ReadOptions {
        sheet: Some("Visit".into()),
        ..visits.clone()
    };
    assert!(said(read(&packed, &elsewhere)).contains("Notes, Visits"));
    let notes = ReadOptions {
        sheet: Some("Notes".into()),
        header_row: None,
        units_row: None,
        ..visits
    };
    assert!(said(read(&packed, &notes)).contains("no time column"));
}

#[test]
fn several_sheets_with_times_are_told_apart_by_name() {
    let mut book = Workbook::new();
    for name in ["North", "South"] {
        let sheet = book.add_worksheet().set_name(name).unwrap();
        for (column, title) in ["time", "feed_ph"].iter().enumerate() {
            sheet.write_string(0, column as u16, *title).unwrap();
        }
        sheet.write_string(1, 0, "2026-03-01 08:15").unwrap();
        sheet.write_number(1, 1, 7.2).unwrap();
    }
    let packed = book.save_to_buffer().unwrap();
    let refusal = said(read(&packed, &utc()));
    assert!(refusal.contains("North, South"), "{refusal}");
    let south = ReadOptions {
        sheet: Some("South".into()),
        ..utc()
    };
    assert_eq!(
        values(&read(&packed, &south).unwrap(), Column::FeedPh),
        [7.2]
    );
}

#[test]
fn dates_of_a_sheet_are_no_midnights() {
    let mut book = Workbook::new();
    let sheet = book.add_worksheet();
    let dated = Format::new().set_num_format("dd.mm.yyyy");
    sheet.write_string(0, 0, "time").unwrap();
    sheet.write_string(0, 1, "feed_ph").unwrap();
    for row in 1..4_u32 {
        let day = ExcelDateTime::from_ymd(2026, 3, row as u8).unwrap();
        sheet
            .write_datetime_with_format(row, 0, &day, &dated)
            .unwrap();
        sheet.write_number(row, 1, 7).unwrap();
    }
    let packed = book.save_to_buffer().unwrap();
    assert!(said(read(&packed, &utc())).contains("without a time of day"));
    let days = options("time_zone = \"UTC\"\ntime_format = \"%Y-%m-%d\"");
    assert_eq!(read(&packed, &days).unwrap().table.time[1] % (24 * HOUR), 0);
}

/// A zip archive of files that are not compressed.
fn archive(parts: &[(&str, &str)]) -> Vec<u8> {
    let mut writer = zip::ZipWriter::new(std::io::Cursor::new(Vec::new()));
    let plain =
        zip::write::SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    for (name, content) in parts {
        writer.start_file(*name, plain).expect("a part");
        writer.write_all(content.as_bytes()).expect("room");
    }
    writer.finish().expect("an archive").into_inner()
}

#[test]
fn an_open_document_is_a_workbook_too() {
    let text = |word: &str| {
        format!(
            "<table:table-cell office:value-type=\"string\"><text:p>{word}</text:p></table:table-cell>"
        )
    };
    let row = |time: &str, ph: &str| {
        format!(
            "<table:table-row><table:table-cell office:value-type=\"date\" office:date-value=\"{time}\"/>\
             <table:table-cell office:value-type=\"float\" office:value=\"{ph}\"/></table:table-row>"
        )
    };
    let content = format!(
        "<office:document-content><office:body><office:spreadsheet><table:table table:name=\"Visits\">\
         <table:table-row>{}{}</table:table-row>{}{}</table:table></office:spreadsheet></office:body>\
         </office:document-content>",
        text("time"),
        text("feed_ph"),
        row("2026-03-01T08:15:00", "7.25"),
        // Midnight, which such a sheet writes as the date alone.
        row("2026-03-02", "7"),
    );
    let packed = archive(&[
        ("mimetype", "application/vnd.oasis.opendocument.spreadsheet"),
        ("META-INF/manifest.xml", "<manifest:manifest/>"),
        ("content.xml", &content),
    ]);
    let log = read(&packed, &utc()).unwrap();
    assert_eq!(values(&log, Column::FeedPh), [7.25, 7.0]);
    assert_eq!(
        log.table.time[1] - log.table.time[0],
        15 * HOUR + 3 * HOUR / 4
    );
}

#[test]
fn what_is_no_workbook_is_said() {
    let packed = archive(&[("plant.csv", "time,feed_ph\n")]);
    assert!(said(read(packed, &utc())).contains("no workbook"));
    let binary = archive(&[("xl/workbook.bin", "")]);
    assert!(said(read(binary, &utc())).contains(".xlsx"));
    let mut damaged = vec![0xd0, 0xcf, 0x11, 0xe0, 0xa1, 0xb1, 0x1a, 0xe1];
    damaged.resize(4096, 7);
    assert!(said(read(damaged, &utc())).contains("can't be read"));
}

// --- parquet -------------------------------------------------------------------------------------

#[test]
fn parquet_is_the_same_log_whole_and_in_blocks() {
    let plain = read(long(), &utc()).unwrap();
    let packed = parquet(&plain);
    let again = read(&packed, &ReadOptions::default()).unwrap();
    assert_eq!(again.hash(), plain.hash());
    assert_eq!(again.table.zone, "UTC");
    let blocks = read_blocks(&packed, &ReadOptions::default()).unwrap();
    assert!(blocks.len() > 1);
    assert_eq!(
        blocks.iter().map(|block| block.table.len()).sum::<usize>(),
        plain.table.len()
    );
    assert!(matches!(
        read(&packed[..packed.len() / 2], &utc()),
        Err(Error::File(_))
    ));
}

// --- several files -------------------------------------------------------------------------------

fn read_several(texts: &[&str], options: &ReadOptions) -> Result<Log, Error> {
    let paths: Vec<PathBuf> = texts.iter().map(|text| file(text.as_bytes())).collect();
    let log = read_logs(&paths, options, |_| {});
    for path in paths {
        std::fs::remove_file(path).ok();
    }
    log
}

#[test]
fn files_of_one_plant_are_one_log() {
    let second =
        "time,feed_pressure [bar],feed_ph\n2026-01-02T00:00Z,10,7.1\n2026-01-04T00:00Z,11,7.25\n";
    let first =
        "time,feed_pressure [psi],Operator\n2026-01-01T00:00Z,140.5,A\n2026-01-03T00:00Z,150,B\n";
    let log = read_several(&[first, second], &utc()).unwrap();
    let days: Vec<i64> = log
        .table
        .time
        .iter()
        .map(|time| time / (24 * HOUR) % 365)
        .collect();
    assert!(days.is_sorted() && days.len() == 4);
    let pressure = log.get(Column::FeedPressure).unwrap();
    assert_eq!(pressure.unit.word, "psi");
    assert_eq!(pressure.values[1], 10.0);
    assert!((pressure.in_own_unit().next().unwrap() - 140.5).abs() < 1e-9);
    let ph = values(&log, Column::FeedPh);
    assert!(ph[0].is_nan() && ph[2].is_nan() && ph[3] == 7.25);
    assert_eq!(log.left_out, ["Operator"]);
    assert_eq!(
        log.sources
            .iter()
            .map(|source| source.rows)
            .collect::<Vec<_>>(),
        [2, 2]
    );
    // 0.1 psi is finer than 1 bar.
    assert_eq!(log.written_to["feed_pressure"], 0.1);
    assert_eq!(log.written_to["feed_ph"], 0.01);
}

#[test]
fn faults_of_several_files_name_theirs() {
    let one = "time,feed_ph\n2026-01-01T00:00Z,seven\n";
    let other = "time,feed_ph\nyesterday,7\n";
    let faults = read_several(&[one, other], &utc()).unwrap_err().faults();
    assert_eq!(faults.len(), 2);
    assert!(faults.iter().all(|fault| fault.file.is_some()));
    assert_ne!(faults[0].file, faults[1].file);
    // A name may be in one of them, but must be in one.
    let named = options("[columns]\nP1 = \"feed_pressure [bar]\"\n");
    let with = "time,P1\n2026-01-01T00:00Z,9\n";
    let without = "time,feed_ph\n2026-01-02T00:00Z,7\n";
    assert_eq!(
        read_several(&[with, without], &named).unwrap().table.len(),
        2
    );
    let refusal = said(read_several(&[without, without], &named));
    assert!(refusal.contains("no such header"), "{refusal}");
    let trains = "time,train,feed_ph\n2026-01-02T00:00Z,A,7\n";
    assert!(said(read_several(&[trains, without], &utc())).contains("name a train"));
}

// --- wide ----------------------------------------------------------------------------------------

#[test]
fn a_wide_table_becomes_a_row_for_each_stage() {
    let wide = "time,Feed temperature [degC],Stage 2 feed_pressure [bar],PT 2,stage_1_permeate_flow [m3/h],\
                stage-2 permeate-flow [gpm],stage 10 permeate_flow [m3/h]\n\
                2026-01-01T00:00Z,12,8,9,3.25,4,1\n2026-01-02T00:00Z,13,7,8,3,5,2\n";
    let mapped = ReadOptions {
        columns: [(
            "PT 2".to_owned(),
            vec![
                "stage 1 concentrate_pressure [bar]".to_owned(),
                "stage 10 feed_pressure [bar]".to_owned(),
            ],
        )]
        .into(),
        ..utc()
    };
    let log = read(wide, &mapped).unwrap();
    let stages = log.table.labels[1].clone().unwrap();
    let words: Vec<&str> = (0..6).map(|row| stages.word(row)).collect();
    assert_eq!(words, ["1", "2", "10", "1", "2", "10"]);
    assert!(log.table.time.is_sorted());
    assert_eq!(
        values(&log, Column::FeedTemperature),
        [12.0, 12.0, 12.0, 13.0, 13.0, 13.0]
    );
    let pressure = &log.get(Column::FeedPressure).unwrap().values;
    assert!(pressure[0].is_nan());
    assert_eq!((pressure[1], pressure[2], pressure[5]), (8.0, 9.0, 8.0));
    let flow = log.get(Column::PermeateFlow).unwrap();
    assert_eq!(flow.unit.word, "m3/h");
    assert!((flow.values[1] - 4.0 * 0.227_124_707).abs() < 1e-6);
    assert_eq!(log.written_to["permeate_flow"], 0.01);
    // What serves two columns is wrong once.
    let wrong = wide.replace(",8,9,", ",8,nine,");
    assert_eq!(read(wrong, &mapped).unwrap_err().faults().len(), 1);
}

#[test]
fn a_column_without_a_stage_says_which_is_meant() {
    let doubtful = "time,permeate_flow [m3/h],stage 1 feed_pressure [bar],permeate_pressure [bar]\n2026-01-01T00:00Z,1,2,3\n";
    let error = read(doubtful, &utc()).unwrap_err();
    let columns: Vec<_> = error
        .faults()
        .into_iter()
        .filter_map(|fault| fault.column)
        .collect();
    assert_eq!(columns, ["permeate_flow [m3/h]", "permeate_pressure [bar]"]);
    assert!(error.to_string().contains("which stage is meant"));
    let both = "time,stage,stage 1 feed_pressure [bar]\n2026-01-01T00:00Z,1,2\n";
    assert!(said(read(both, &utc())).contains("headers that name a stage"));
    let twice = "time,feed_ph,stage 1 feed_ph\n2026-01-01T00:00Z,7,7\n";
    assert!(said(read(twice, &utc())).contains("the same column"));
}

#[test]
fn trains_and_stages_side_by_side() {
    let wide = "time,feed_temperature [degC],train A running,train A stage 1 permeate_flow [m3/h],\
                train B stage 1 permeate_flow [m3/h],train A stage 2 permeate_flow [m3/h]\n\
                2026-01-01T00:00Z,12,on,1,2,3\n";
    let log = read(wide, &utc()).unwrap();
    let (groups, _) = log.table.groups();
    let names: Vec<String> = groups.iter().map(ToString::to_string).collect();
    assert_eq!(
        names,
        ["train A, stage 1", "train A, stage 2", "train B, stage 1"]
    );
    assert_eq!(values(&log, Column::PermeateFlow), [1.0, 3.0, 2.0]);
    let running = values(&log, Column::Running);
    assert!(running[..2] == [1.0, 1.0] && running[2].is_nan());
    // Trains as rows, stages as columns.
    let mixed = "time,train,stage 1 feed_ph,stage 2 feed_ph\n2026-01-02T00:00Z,A,1,2\n2026-01-01T00:00Z,B,3,4\n";
    let log = read(mixed, &utc()).unwrap();
    assert_eq!(log.table.groups().0.len(), 4);
    assert_eq!(values(&log, Column::FeedPh), [1.0, 2.0, 3.0, 4.0]);
}

// --- times ---------------------------------------------------------------------------------------

#[test]
fn clocks_that_go_back_are_settled_as_the_caller_says() {
    // Denver's clocks went back over 01:00 to 02:00 on 2026-11-01 (IANA time zone database).
    let mut text = String::from("time,feed_ph\n");
    for clock in ["00:30", "01:00", "01:30", "01:00", "01:30", "02:00"] {
        text += &format!("2026-11-01 {clock},7\n");
    }
    let denver = options("time_zone = \"America/Denver\"");
    let error = read(&text, &denver).unwrap_err();
    assert_eq!(error.faults().len(), 4);
    assert!(error.to_string().contains("clock_change=\"by-order\""));
    let by = |change| ReadOptions {
        clock_change: Some(change),
        ..denver.clone()
    };
    let log = read(&text, &by(ClockChange::ByOrder)).unwrap();
    let halves: Vec<i64> = log
        .table
        .time
        .windows(2)
        .map(|two| (two[1] - two[0]) / (HOUR / 2))
        .collect();
    assert_eq!(halves, [1, 1, 1, 1, 1]);
    assert!(said(read(&text, &by(ClockChange::Earlier))).contains("sort=True"));
    let once = "time,feed_ph\n2026-11-01 01:30,7\n";
    let earlier = read(once, &by(ClockChange::Earlier)).unwrap().table.time[0];
    let later = read(once, &by(ClockChange::Later)).unwrap().table.time[0];
    assert_eq!(later - earlier, HOUR);
    let spring = "time,feed_ph\n2026-03-08 02:30,7\n";
    assert!(said(read(spring, &by(ClockChange::ByOrder))).contains("does not exist"));
    // Each train has an order of its own.
    let trains =
        "time,train,feed_ph\n2026-11-01 01:30,A,7\n2026-11-01 01:30,B,7\n2026-11-01 01:30,A,7\n";
    let log = read(trains, &by(ClockChange::ByOrder)).unwrap();
    assert_eq!(*log.table.time, [earlier, earlier, later]);
    let sorted = ReadOptions {
        sort: Some(true),
        ..by(ClockChange::ByOrder)
    };
    assert!(said(read(once, &sorted)).contains("sorted"));
}

#[test]
fn clocks_that_go_back_are_settled_alike_in_blocks() {
    // Two hours of seconds that the clocks show twice, after days that fill a block.
    let remark = "x".repeat(150);
    let mut text = String::from("time,feed_ph,remark\n");
    let mut add = |clock: &str, second: usize| {
        text += &format!(
            "2026-{clock}:{:02}:{:02},7,{remark}\n",
            second / 60 % 60,
            second % 60
        );
    };
    for second in 0..110_000 {
        add(
            &format!("10-{:02} {:02}", 30 + second / 86_400, second / 3600 % 24),
            second,
        );
    }
    for _ in 0..2 {
        for second in 0..3600 {
            add("11-01 01", second);
        }
    }
    let rule = options("time_zone = \"America/Denver\"\nclock_change = \"by-order\"");
    let whole = read(&text, &rule).unwrap();
    let ends = &whole.table.time[110_000..];
    assert!(ends.windows(2).all(|two| two[1] - two[0] == 1_000_000));
    let blocks = read_blocks(&text, &rule).unwrap();
    assert!(blocks.len() > 1);
    let times: Vec<i64> = blocks
        .iter()
        .flat_map(|block| block.table.time.to_vec())
        .collect();
    assert_eq!(times, *whole.table.time);
}

#[test]
fn times_that_label_an_interval_are_placed_in_its_middle() {
    let text = "time,feed_ph\n2026-01-01T00:00Z,7\n2026-01-01T00:15Z,7\n";
    let plain = read(text, &utc()).unwrap();
    for (label, shift) in [(TimeLabel::IntervalStart, 1), (TimeLabel::IntervalEnd, -1)] {
        let labelled = ReadOptions {
            time_label: Some(label),
            interval_h: Some(0.25),
            ..utc()
        };
        let log = read(text, &labelled).unwrap();
        assert_eq!(log.table.time[1] - plain.table.time[1], shift * HOUR / 8);
        let bare = ReadOptions {
            interval_h: None,
            ..labelled
        };
        assert!(said(read(text, &bare)).contains("interval=\"15 min\""));
    }
    assert!(
        said(read(text, &options("interval = \"15 min\""))).contains("no times that label one")
    );
}

#[test]
fn readings_out_of_order_are_sorted_where_that_is_wished() {
    let text = "time,train,feed_ph\n2026-01-03T00:00Z,A,3\n2026-01-01T00:00Z,B,1\n2026-01-03T00:00Z,B,4\n2026-01-02T00:00Z,A,2\n";
    assert!(said(read(text, &utc())).contains("sort=True"));
    let sorted = options("sort = true");
    let log = read(text, &sorted).unwrap();
    assert_eq!(values(&log, Column::FeedPh), [1.0, 2.0, 3.0, 4.0]);
    assert!(
        read_blocks(text, &sorted)
            .unwrap_err()
            .to_string()
            .contains("sort")
    );
}

// --- a look into a file --------------------------------------------------------------------------

#[test]
fn a_sample_is_what_stands_there() {
    let text = "made by a logger\nZeit;P1;\n;bar;\n01.02.2026;1,5;x\n02.02.2026;\n";
    let told = options("header_row = 2\nunits_row = true");
    let look = with_file(text.as_bytes(), |path| sample(path, &told, 5)).unwrap();
    assert_eq!(look.titles, ["Zeit", "P1", ""]);
    assert_eq!(look.units, ["", "bar", ""]);
    assert_eq!(
        look.rows,
        [vec!["01.02.2026", "1,5", "x"], vec!["02.02.2026", ""]]
    );
    assert_eq!((look.separator, look.header_row), (Some(';'), Some(2)));
    let book = workbook(&[Some(1.5), None], 4);
    let look = with_file(&book, |path| sample(path, &ReadOptions::default(), 1)).unwrap();
    assert_eq!(look.titles, ["time", "feed_flow [m3/h]"]);
    assert_eq!(look.rows, [["2026-01-01T08:00:00", "1.5"]]);
    assert_eq!((look.separator, look.header_row), (None, Some(5)));
    let log = read("time,feed_ph\n2026-01-01T00:00Z,7.5\n", &utc()).unwrap();
    let look = with_file(&parquet(&log), |path| {
        sample(path, &ReadOptions::default(), 9)
    })
    .unwrap();
    assert_eq!(look.rows, [["2026-01-01T00:00:00+00:00", "7.5"]]);
}

// --- any figures, any bytes ----------------------------------------------------------------------

/// Figures of a table: some missing, some with many digits.
fn figures() -> impl Strategy<Value = Vec<Option<f64>>> {
    let figure = prop_oneof![
        -1e6..1e6_f64,
        (-100_000..100_000_i32).prop_map(|hundredths| f64::from(hundredths) / 100.0),
        (-40..40_i32).prop_map(|exponent| 10_f64.powi(exponent)),
    ];
    proptest::collection::vec(proptest::option::of(figure), 1..40)
}

fn assert_same(log: &Log, figures: &[Option<f64>]) {
    let read = &log.get(Column::FeedFlow).expect("the column").values;
    assert_eq!(read.len(), figures.len());
    for (read, figure) in read.iter().zip(figures) {
        assert!(
            figure.map_or(read.is_nan(), |figure| *read == figure),
            "{read} {figure:?}"
        );
    }
}

fn text_of(
    figures: &[Option<f64>],
    separator: char,
    decimal: char,
    thousands: Option<char>,
) -> String {
    let mut text = format!("time{separator}feed_flow [m3/h]\n");
    for (row, figure) in figures.iter().enumerate() {
        let mut cell = figure.map(|figure| figure.to_string()).unwrap_or_default();
        if let Some(apart) = thousands {
            let (whole, rest) = cell
                .split_once('.')
                .map_or((cell.clone(), String::new()), |(whole, rest)| {
                    (whole.to_owned(), format!(".{rest}"))
                });
            let (sign, digits) = match whole.strip_prefix('-') {
                Some(digits) => ("-", digits.to_owned()),
                None => ("", whole),
            };
            let mut grouped = String::from(sign);
            for (at, digit) in digits.chars().enumerate() {
                if at > 0 && (digits.len() - at) % 3 == 0 {
                    grouped.push(apart);
                }
                grouped.push(digit);
            }
            cell = grouped + &rest.replace('.', "#");
            cell = cell.replace('#', &decimal.to_string());
        } else {
            cell = cell.replace('.', &decimal.to_string());
        }
        text += &format!("2026-01-01T00:00:{row:02}Z{separator}\"{cell}\"\n");
    }
    text
}

/// Files of every kind with the same few readings.
fn of_every_kind() -> Vec<Vec<u8>> {
    let figures = [Some(1.5), None, Some(-2.25), Some(1e6)];
    let text = text_of(&figures, ',', '.', None);
    let log = read(&text, &utc()).expect("a log");
    vec![
        gzip(text.as_bytes()),
        zstd(text.as_bytes()),
        workbook(&figures, 2),
        parquet(&log),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(60))]

    #[test]
    fn any_figures_in_any_file(
        figures in figures(),
        separator in prop_oneof![Just(','), Just(';'), Just('\t'), Just('|')],
        decimal in prop_oneof![Just('.'), Just(',')],
        apart in prop_oneof![Just(None), Just(Some(' ')), Just(Some('\'')), Just(Some('\u{202f}'))],
        other: bool,
    ) {
        let thousands = if other { Some(if decimal == ',' { '.' } else { ',' }) } else { apart };
        let text = text_of(&figures, separator, decimal, thousands);
        let how = ReadOptions { decimal: Some(decimal), ..utc() };
        assert_same(&read(&text, &how).unwrap(), &figures);
        assert_same(&read(gzip(text.as_bytes()), &how).unwrap(), &figures);
        assert_same(&read(zstd(text.as_bytes()), &how).unwrap(), &figures);
        assert_same(&read(workbook(&figures, 3), &how).unwrap(), &figures);
        let log = read(&text, &how).unwrap();
        let packed = parquet(&log);
        assert_same(&read(&packed, &utc()).unwrap(), &figures);
        for packed in [text.as_bytes(), &packed] {
            let blocks = with_file(packed, |path| {
                LogReader::open(path, how.clone()).and_then(|reader| reader.collect::<Result<Vec<Log>, Error>>())
            });
            let blocks = blocks.unwrap();
            prop_assert_eq!(blocks.len(), 1);
            assert_same(&blocks[0], &figures);
            prop_assert_eq!(blocks[0].hash(), log.hash());
        }
    }

    #[test]
    fn no_damage_makes_it_panic(
        at in any::<prop::sample::Index>(),
        byte: u8,
        cut in any::<prop::sample::Index>(),
    ) {
        for packed in of_every_kind() {
            let mut spoilt = packed.clone();
            spoilt[at.index(packed.len())] ^= byte;
            let _ = read(&spoilt, &utc());
            // All of a file's end is needed, but for what a workbook keeps of no cell.
            let _ = read(&packed[..cut.index(packed.len())], &utc());
        }
    }

    #[test]
    fn no_mapping_makes_it_panic(text in "[\\PC\n=\"\\[\\]]{0,120}") {
        let _ = ReadOptions::from_toml(&text);
    }
}

#[test]
fn a_truncated_file_is_always_refused() {
    for packed in of_every_kind() {
        for end in (0..packed.len()).step_by(7) {
            let cut = with_file(&packed[..end], |path| read_log(path, &utc()));
            assert!(cut.is_err(), "{:?} cut at {end}", &packed[..2]);
        }
    }
}

#[test]
fn damage_at_any_byte_is_refused_or_read_but_no_panic() {
    // Of Parquet, whose footer is one long list of places and lengths; its library panics at some that are wrong.
    let log = read("time,feed_ph\n2026-01-01T00:00Z,7.5\n", &utc()).expect("a log");
    let packed = parquet(&log);
    let mut refused = 0;
    for at in 0..packed.len() {
        for flip in [0x01, 0x80] {
            let mut spoilt = packed.clone();
            spoilt[at] ^= flip;
            refused += u32::from(read(&spoilt, &utc()).is_err());
        }
    }
    assert!(refused > 0);
}
