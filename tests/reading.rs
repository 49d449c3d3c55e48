//! Logs from CSV: what is kept, and what is refused in which words.

mod common;

use std::sync::LazyLock;

use brinemark::log::{Column, ReadOptions, TimeLabel};
use common::{read, read_blocks};
use proptest::prelude::*;

static NONE: LazyLock<ReadOptions> = LazyLock::new(ReadOptions::default);

fn zone(name: &str) -> ReadOptions {
    ReadOptions {
        time_zone: Some(name.into()),
        ..ReadOptions::default()
    }
}

#[test]
fn missing_is_missing_and_zero_is_a_value() {
    let log = read(
        "time,feed_pressure [psi],permeate_flow [gpm],running\n\
         2026-01-01T00:00Z,,0,true\n\
         2026-01-01T01:00Z,NaN,1.5,\n\
         2026-01-01T02:00Z,-3,,off\n",
        &NONE,
    )
    .unwrap();
    let pressure = log.get(Column::FeedPressure).unwrap();
    assert!(pressure.values[0].is_nan() && pressure.values[1].is_nan());
    assert!((pressure.values[2] + 3.0 * 0.068_947_572_931_683_6).abs() < 1e-15);
    let flow = log.get(Column::PermeateFlow).unwrap();
    assert_eq!(flow.values[0], 0.0);
    assert!(flow.values[2].is_nan());
    let running = log.get(Column::Running).unwrap();
    assert_eq!((running.values[0], running.values[2]), (1.0, 0.0));
    assert!(running.values[1].is_nan());
}

#[test]
fn every_fault_is_named_with_its_place() {
    let error = read(
        "time,feed_pressure [psi],permeate_flow [gpm]\n\
         2026-01-01T00:00,\"1,200\",3\n\
         yesterday,120,inf\n\
         2026-01-01T02:00,120\n\
         ,120,3\n",
        &zone("UTC"),
    )
    .unwrap_err();
    let faults: Vec<_> = error
        .faults()
        .into_iter()
        .map(|fault| {
            (
                fault.row,
                fault.line,
                fault.column.unwrap_or_default(),
                fault.value.unwrap_or_default(),
            )
        })
        .collect();
    let expected = [
        (Some(1), Some(2), "feed_pressure [psi]", "1,200"),
        (Some(2), Some(3), "time", "yesterday"),
        (Some(2), Some(3), "permeate_flow [gpm]", "inf"),
        (Some(3), Some(4), "", ""),
        (Some(4), Some(5), "time", ""),
    ];
    let expected: Vec<_> = expected
        .map(|(row, line, column, value)| (row, line, column.to_string(), value.to_string()))
        .into();
    assert_eq!(faults, expected, "{error}");
}

#[test]
fn wrong_encodings_are_said() {
    let utf16: Vec<u8> = "\u{feff}time,feed_pressure [psi]\n"
        .encode_utf16()
        .flat_map(u16::to_le_bytes)
        .collect();
    assert!(
        read(utf16, &NONE)
            .unwrap_err()
            .to_string()
            .contains("UTF-16")
    );
    let latin1 = b"time,feed_temperature [\xb0C]\n2026-01-01T00:00Z,12\n";
    assert!(
        read(latin1, &NONE)
            .unwrap_err()
            .to_string()
            .contains("not UTF-8")
    );
    let label = b"time,train\n2026-01-01T00:00Z,\xe9\n";
    assert!(
        read(label, &NONE)
            .unwrap_err()
            .to_string()
            .contains("not UTF-8")
    );
    assert!(
        read("", &NONE)
            .unwrap_err()
            .to_string()
            .contains("no readings")
    );
    assert!(
        read("time,feed_ph\n", &NONE)
            .unwrap_err()
            .to_string()
            .contains("no readings")
    );
}

#[test]
fn times_are_placed_or_refused() {
    let log = |times: &str, options: &ReadOptions| read(format!("time\n{times}\n"), options);
    let hour = 3_600_000_000;
    assert_eq!(
        log("1970-01-01T02:00+02:00", &NONE).unwrap().table.time[0],
        0
    );
    assert_eq!(
        log("1970-01-01 00:30", &zone("Etc/GMT+7"))
            .unwrap()
            .table
            .time[0],
        7 * hour + hour / 2
    );
    assert_eq!(
        log("1970-01-01T00:00:00.25Z", &NONE).unwrap().table.time[0],
        250_000
    );
    assert_eq!(
        log("1970-01-01T02:00+02:00", &NONE).unwrap().table.zone,
        "Etc/GMT-2"
    );
    let refused = |times: &str, options: &ReadOptions| log(times, options).unwrap_err().to_string();
    assert!(refused("1970-01-01 00:30", &NONE).contains("without a zone"));
    // Clocks in Denver went forward on 2026-03-08 and back on 2026-11-01, both at 2 h.
    assert!(refused("2026-03-08 02:30", &zone("America/Denver")).contains("does not exist"));
    assert!(refused("2026-11-01 01:30", &zone("America/Denver")).contains("occurs twice"));
    assert!(refused("1970-01-01", &zone("Mars/Olympus")).contains("no time zone of this name"));
    let american = ReadOptions {
        time_format: Some("%m/%d/%Y %I:%M %p".into()),
        ..zone("UTC")
    };
    assert_eq!(
        log("01/02/1970 01:00 PM", &american).unwrap().table.time[0],
        37 * hour
    );
    assert!(refused("2026-01-01", &american).contains("time_format"));
}

#[test]
fn a_date_alone_is_taken_only_where_the_format_says_so() {
    let visits = "time,feed_ph\n2026-03-01,7.1\n2026-06-01,7.05\n";
    let error = read(visits, &zone("UTC")).unwrap_err();
    assert_eq!(error.faults().len(), 2, "{error}");
    assert!(error.to_string().contains("time_format=\"%Y-%m-%d\""));
    let dated = ReadOptions {
        time_format: Some("%Y-%m-%d".into()),
        ..zone("UTC")
    };
    let midnight = 1_772_323_200_000_000;
    assert_eq!(read(visits, &dated).unwrap().table.time[0], midnight);
    let of_days = ReadOptions {
        time_label: Some(TimeLabel::IntervalStart),
        interval_h: Some(24.0),
        ..dated
    };
    let noon = midnight + 12 * 3_600_000_000;
    assert_eq!(read(visits, &of_days).unwrap().table.time[0], noon);
}

#[test]
fn time_does_not_go_back_in_a_train_and_stage() {
    let twice = "time,feed_ph\n2026-01-01T00:00Z,7\n2026-01-01T00:00Z,7\n2025-12-31T00:00Z,7\n";
    let error = read(twice, &NONE).unwrap_err();
    let rows: Vec<_> = error.faults().iter().map(|fault| fault.row).collect();
    assert_eq!(rows, [Some(3)]);
    assert!(error.to_string().contains("sort=True"));
    let trains =
        "time,train,feed_ph\n2026-01-02T00:00Z,A,7\n2026-01-01T00:00Z,B,7\n2026-01-02T00:00Z,A,7\n";
    let (groups, rows) = read(trains, &NONE).unwrap().table.groups();
    assert_eq!(groups.len(), 2);
    assert_eq!(rows, [0, 1, 0]);
}

#[test]
fn quotes_and_blocks_don_t_disturb_each_other() {
    // Long enough for several blocks, with quoted line breaks and a stray inch mark in a remark.
    let remark = [
        "\"two\nlines, one cell\"",
        "a 6\" pipe",
        "\"said \"\"off\"\"\"",
        "",
    ];
    let mut text = String::from("time,remark,feed_pressure [bar]\n");
    let rows = 700_000;
    for row in 0..rows {
        let (day, second) = (row / 86_400, row % 86_400);
        let (hour, minute) = (second / 3600, second / 60 % 60);
        text += &format!(
            "2026-01-{:02}T{hour:02}:{minute:02}:{:02}Z,{},{}\n",
            day + 1,
            second % 60,
            remark[row % 4],
            row as f64 / 8.0
        );
    }
    let whole = read(&text, &NONE).unwrap();
    assert_eq!(whole.table.len(), rows);
    assert_eq!(whole.left_out, ["remark"]);
    let values = &whole.get(Column::FeedPressure).unwrap().values;
    assert!((0..rows).all(|row| values[row] == row as f64 / 8.0));
    let blocks = read_blocks(&text, &NONE).unwrap();
    assert!(blocks.len() > 1);
    assert_eq!(
        blocks.iter().map(|block| block.table.len()).sum::<usize>(),
        rows
    );
}

#[test]
fn a_quote_that_is_never_closed_is_found() {
    let mut text = String::from("time,remark,feed_ph\n2026-01-01T00:00Z,\"open,7\n");
    text += &"2026-01-02T00:00Z,x,7\n".repeat(1_000_000);
    let error = read(&text, &NONE).unwrap_err();
    assert_eq!(error.faults()[0].line, Some(2), "{error}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(500))]

    #[test]
    fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..400), naive: bool) {
        let mut content = b"time,feed_pressure [psi],train,running\n".to_vec();
        content.extend(bytes);
        let _ = read(&content, &if naive { zone("UTC") } else { NONE.clone() });
    }

    #[test]
    fn no_text_makes_it_panic(text in "[\\PC\n,\"]{0,200}") {
        let _ = read(&text, &zone("America/Denver"));
    }

    #[test]
    fn figures_come_through(values in proptest::collection::vec(proptest::option::of(-1e6..1e6_f64), 1..50)) {
        let mut text = String::from("time,feed_flow [m3/h]\n");
        for (row, value) in values.iter().enumerate() {
            let value = value.map(|value| value.to_string()).unwrap_or_default();
            text += &format!("2026-01-01T00:00:{row:02}Z,{value}\n");
        }
        let log = read(&text, &NONE).unwrap();
        let read = &log.get(Column::FeedFlow).unwrap().values;
        for (read, value) in read.iter().zip(&values) {
            prop_assert!(value.map_or(read.is_nan(), |value| *read == value));
        }
    }
}
