//! A log as text. The first two bytes choose options; the rest is the file.
//!
//! Read whole and in blocks (which are small here: see `BLOCK_BYTES`) it is the same log, or is refused in both. A
//! log that is read holds no infinity, is written as CSV and read back as the same log, and can be screened.

#![no_main]

use std::sync::LazyLock;

use brinemark::Site;
use brinemark::log::{ClockChange, ReadOptions, TimeLabel};
use brinemark::screen::{Chosen, screen};
use brinemark::site::TEMPLATE;
use brinemark::write::Output;
use brinemark_fuzz::{assert_same, check_refusal, file, read, read_blocks};
use libfuzzer_sys::fuzz_target;

static SITE: LazyLock<Site> = LazyLock::new(|| Site::parse(TEMPLATE).expect("the template"));

fn options(first: u8, second: u8) -> ReadOptions {
    let bit = |byte: u8, at: u8| byte >> at & 1 == 1;
    let label = bit(second, 3).then_some(match bit(second, 4) {
        false => TimeLabel::IntervalStart,
        true => TimeLabel::IntervalEnd,
    });
    ReadOptions {
        separator: [None, Some(','), Some(';'), Some('\t')][usize::from(first & 3)],
        decimal: [None, Some('.'), Some(','), None][usize::from(first >> 2 & 3)],
        header_row: bit(first, 4).then_some(2),
        units_row: bit(first, 5).then_some(true),
        time_zone: [None, Some("UTC"), Some("America/Denver"), Some("Etc/GMT+7")]
            [usize::from(first >> 6)]
        .map(str::to_owned),
        clock_change: [
            None,
            Some(ClockChange::ByOrder),
            Some(ClockChange::Earlier),
            Some(ClockChange::Later),
        ][usize::from(second & 3)],
        time_format: bit(second, 2).then(|| "%d.%m.%Y %H:%M".to_owned()),
        time_label: label,
        interval_h: label.map(|_| 0.25),
        sort: bit(second, 5).then_some(true),
        ..ReadOptions::default()
    }
}

fuzz_target!(|data: &[u8]| {
    let [first, second, text @ ..] = data else {
        return;
    };
    let options = options(*first, *second);
    // A header is to stand in the first block whole.
    let header: usize = text
        .split_inclusive(|byte| *byte == b'\n')
        .take(4)
        .map(<[u8]>::len)
        .sum();
    let blocks = (header < 1024 && options.sort.is_none()).then(|| read_blocks(text, &options));
    let whole = read(text, &options);
    match (&whole, blocks) {
        (Ok(whole), Some(Ok(Some(blocks)))) => assert_same(whole, &blocks),
        (Err(_), Some(Ok(None)) | None) | (Ok(_), None) => {}
        // Not always for the same: the order of time is judged where all times were read, of a block or of the whole.
        (Err(_), Some(Err(blocks))) => check_refusal(&blocks),
        (whole, blocks) => panic!("whole: {whole:?}\nin blocks: {blocks:?}"),
    }
    let log = match whole {
        Ok(log) => log,
        Err(error) => return check_refusal(&error),
    };
    for series in &log.table.series {
        assert!(
            series.values.iter().all(|value| !value.is_infinite()),
            "{}",
            series.name
        );
    }
    let path = file(b"");
    let output = Output {
        table: &log.table,
        reasons: None,
    };
    // The stages of a wide table may have several units, of which a column keeps one: in it, another's figure may differ
    // by its last bit.
    if log.table.labels.iter().any(Option::is_some) {
        return;
    }
    output.write_csv(&path).expect("a file to write");
    let again = brinemark::log::read_log(
        &path,
        &ReadOptions {
            time_zone: Some(log.table.zone.clone()),
            sort: options.sort,
            ..ReadOptions::default()
        },
    );
    assert_same(&log, &again.expect("what we wrote"));
    let screened = screen(&log, &SITE, &Chosen::default()).expect("a log that was read");
    assert_eq!(screened.failed.len(), log.table.len());
});
