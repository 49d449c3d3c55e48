//! What the fuzz targets share.

use std::path::PathBuf;

use brinemark::log::{LogReader, ReadOptions, read_log};
use brinemark::{Error, Log};

/// A file of this process with this content; each call writes it anew.
pub fn file(content: &[u8]) -> PathBuf {
    // In memory where the system has such a place: a target writes thousands of files a second.
    let shared = PathBuf::from("/dev/shm");
    let folder = if shared.is_dir() {
        shared
    } else {
        std::env::temp_dir()
    };
    let path = folder.join(format!("brinemark-fuzz-{}", std::process::id()));
    std::fs::write(&path, content).expect("a temporary file");
    path
}

/// Reads a file of this content, whole.
pub fn read(content: &[u8], options: &ReadOptions) -> Result<Log, Error> {
    read_log(&file(content), options)
}

/// Reads a file of this content block by block, and puts the blocks together.
pub fn read_blocks(content: &[u8], options: &ReadOptions) -> Result<Option<Log>, Error> {
    let mut whole: Option<Log> = None;
    for block in LogReader::open(&file(content), options.clone())? {
        let block = block?;
        whole = Some(match whole {
            Some(before) => before.followed_by(&block)?,
            None => block,
        });
    }
    Ok(whole)
}

/// Every refusal says something of use: where it is or what would be right, beside what is wrong.
pub fn check_refusal(error: &Error) {
    let faults = error.faults();
    assert!(!faults.is_empty(), "a refusal without a fault: {error}");
    for fault in faults {
        assert!(!fault.problem.is_empty(), "{fault:?}");
        let placed = fault.row.is_some() || fault.line.is_some() || fault.column.is_some();
        assert!(placed || !fault.remedy.is_empty(), "{fault:?}");
    }
}

/// Whether two logs are the same: names, units, labels and zone word for word, times, and figures bit for bit.
pub fn assert_same(one: &Log, other: &Log) {
    let (one, other) = (&one.table, &other.table);
    assert_eq!(one.time, other.time, "times");
    assert_eq!(one.zone, other.zone, "zones");
    for (ours, theirs) in one.labels.iter().zip(&other.labels) {
        assert_eq!(ours.is_some(), theirs.is_some(), "labels");
        if let (Some(ours), Some(theirs)) = (ours, theirs) {
            for row in 0..one.len() {
                assert_eq!(ours.word(row), theirs.word(row), "label of row {row}");
            }
        }
    }
    assert_eq!(one.series.len(), other.series.len());
    for (ours, theirs) in one.series.iter().zip(&other.series) {
        assert_eq!(ours.header(), theirs.header());
        for (row, (a, b)) in ours.values.iter().zip(theirs.values.iter()).enumerate() {
            let same = a.to_bits() == b.to_bits() || (a.is_nan() && b.is_nan());
            assert!(same, "{} of row {row}: {a:e}, {b:e}", ours.name);
        }
    }
}
