//! Helpers of the integration tests.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};

use brinemark::log::{LogReader, ReadOptions, read_log};
use brinemark::{Error, Log, Site};

/// A file with this content, in a place of its own.
pub fn file(content: &[u8]) -> PathBuf {
    static NEXT: AtomicU64 = AtomicU64::new(0);
    let name = format!(
        "brinemark-{}-{}.csv",
        std::process::id(),
        NEXT.fetch_add(1, Ordering::Relaxed)
    );
    let path = std::env::temp_dir().join(name);
    std::fs::write(&path, content).expect("a temporary file");
    path
}

/// Reads CSV from bytes.
#[allow(dead_code)]
pub fn read(content: impl AsRef<[u8]>, options: &ReadOptions) -> Result<Log, Error> {
    let path = file(content.as_ref());
    let log = read_log(&path, options);
    std::fs::remove_file(path).ok();
    log
}

/// Reads CSV from bytes, a block at a time.
#[allow(dead_code)]
pub fn read_blocks(content: impl AsRef<[u8]>, options: &ReadOptions) -> Result<Vec<Log>, Error> {
    let path = file(content.as_ref());
    let logs = LogReader::open(&path, options.clone()).and_then(|reader| reader.collect());
    std::fs::remove_file(path).ok();
    logs
}

/// A site with these lines in place of some of a plain one's.
#[allow(dead_code)]
pub fn site(more: &str) -> Site {
    let plain = r#"
        site.name = "test"
        element.area = "40 m2"
        temperature.law = "standard-practice"
        salinity.basis = "sodium-chloride"
    "#;
    Site::parse(&format!("{plain}\n{more}")).expect("a site that is right")
}
