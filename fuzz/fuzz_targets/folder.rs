//! A site's folder whose files hold anything: it is opened, or refused in words; what is then added is whole, and what stood
//! there before is there.

#![no_main]

use std::path::PathBuf;
use std::time::Duration;

use arbitrary::Arbitrary;
use brinemark::folder::{LOG_FILE, MAPPING_FILE, SERVICES_FILE, SITE_FILE, SiteFolder};
use brinemark::log::append::{LOCK_FILE, TORN_FILE, Visit};
use brinemark::site::TEMPLATE;
use brinemark_fuzz::check_refusal;
use libfuzzer_sys::fuzz_target;

#[derive(Debug, Arbitrary)]
struct Files<'a> {
    log: &'a [u8],
    services: &'a [u8],
    lock: &'a [u8],
    mapping: Option<&'a str>,
    time: &'a str,
    readings: Vec<(String, String)>,
}

/// A folder of this process, written anew.
fn written(files: &Files<'_>) -> PathBuf {
    let shared = PathBuf::from("/dev/shm");
    let place = if shared.is_dir() { shared } else { std::env::temp_dir() };
    let folder = place.join(format!("brinemark-fuzz-folder-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("a temporary folder");
    let write = |name: &str, content: &[u8]| {
        std::fs::write(folder.join(name), content).expect("a temporary file");
    };
    write(SITE_FILE, TEMPLATE.as_bytes());
    write(LOG_FILE, files.log);
    write(SERVICES_FILE, files.services);
    write(LOCK_FILE, files.lock);
    if let Some(mapping) = files.mapping {
        write(MAPPING_FILE, mapping.as_bytes());
    }
    folder
}

fuzz_target!(|files: Files<'_>| {
    let path = written(&files);
    let folder = match SiteFolder::open(&path) {
        Ok(folder) => folder,
        Err(error) => return check_refusal(&error),
    };
    let visit = Visit {
        time: files.time.to_owned(),
        readings: files.readings.clone(),
        ..Visit::default()
    };
    let added = folder.append(&visit, Duration::from_secs(1));
    let text = std::fs::read(path.join(LOG_FILE)).expect("the log");
    if !path.join(TORN_FILE).exists() {
        assert!(text.starts_with(files.log));
    }
    match added {
        Ok(added) => {
            assert!(text.ends_with(b"\n"));
            // Given again, it is there, once.
            let again = folder.append(&visit, Duration::from_secs(1)).expect("the same visit");
            assert!(again.already_there && again.line == added.line);
        }
        Err(error) => check_refusal(&error),
    }
    if let Err(error) = folder.services() {
        check_refusal(&error);
    }
});
