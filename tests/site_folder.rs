//! A site's folder keeps every reading: whatever is cut, whoever else writes, however the log is written.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use brinemark::folder::{
    Done, LOG_FILE, MAPPING_FILE, Making, REFUSED_FILE, SERVICES_FILE, SITE_FILE, SiteFolder,
};
use brinemark::log::append::{LOCK_FILE, TORN_FILE, Visit};
use brinemark::log::{Column, ReadOptions, read_log};
use brinemark::units::Unit;
use brinemark::{Error, Log};
use proptest::prelude::*;

const SITE: &str = r#"
site.name = "test"
element.area = "40 m2"
temperature.law = "standard-practice"
salinity.basis = "sodium-chloride"
reference.kind = "baseline"
stage = [{ vessels = 1, elements_per_vessel = 2 }]
limits.feed_pressure = { high = "200 psi" }
assume.permeate_pressure = "5 psi"

[instruments]
permeate_flow = { accuracy = "2 % of 8 gpm" }

[[service]]
what = "calibration"
of = "permeate_flow"
every = "3 months"
last = "2025-06-01"

[[service]]
what = "lamp"
name = "UV lamp"
every = "1 year"
"#;

const HEADER: &str = "time,feed_pressure [psi],permeate_flow [gpm],who,note\n";
const FIRST: &str = "2026-03-01T08:00+00:00,150,3.50,Ada,\n";
const SECOND: &str = "2026-03-02T08:00:00+00:00,152,3.46,Ada,cartridge changed\n";

/// A place of its own, taken away at the end.
struct Place(PathBuf);

impl Place {
    fn new() -> Self {
        static NEXT: AtomicU64 = AtomicU64::new(0);
        let name = format!(
            "brinemark-folder-{}-{}",
            std::process::id(),
            NEXT.fetch_add(1, Ordering::Relaxed)
        );
        let path = std::env::temp_dir().join(name);
        fs::create_dir_all(&path).expect("a temporary folder");
        Self(path)
    }

    /// With a log of this content.
    fn with_log(log: impl AsRef<[u8]>, mapping: &str) -> Self {
        let place = Self::new();
        fs::write(place.0.join(SITE_FILE), SITE).expect("a file");
        fs::write(place.0.join(LOG_FILE), log).expect("a file");
        if !mapping.is_empty() {
            fs::write(place.0.join(MAPPING_FILE), mapping).expect("a file");
        }
        place
    }

    fn open(&self) -> SiteFolder {
        SiteFolder::open(&self.0).expect("a folder")
    }

    fn text(&self, name: &str) -> String {
        fs::read(self.0.join(name)).map_or(String::new(), |text| {
            String::from_utf8_lossy(&text).into_owned()
        })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        fs::remove_dir_all(&self.0).ok();
    }
}

fn visit(time: &str, readings: &[(&str, &str)]) -> Visit {
    Visit {
        time: time.to_owned(),
        readings: readings
            .iter()
            .map(|(name, text)| ((*name).to_owned(), (*text).to_owned()))
            .collect(),
        ..Visit::default()
    }
}

fn usual(time: &str) -> Visit {
    Visit {
        who: Some("Ada".to_owned()),
        note: Some("cartridge changed".to_owned()),
        ..visit(
            time,
            &[("feed_pressure", "152 psi"), ("permeate_flow", "3.46 gpm")],
        )
    }
}

const WAIT: Duration = Duration::from_secs(5);

/// How many readings a log has; none where it says so.
fn readings(folder: &SiteFolder) -> usize {
    match folder.log() {
        Ok((log, _)) => log.table.len(),
        Err(error) => {
            assert!(error.to_string().contains("no readings"), "{error}");
            0
        }
    }
}

fn said(error: &Error) -> String {
    error.to_string()
}

#[test]
fn a_visit_becomes_one_line_in_the_logs_own_units() {
    let place = Place::with_log([HEADER, FIRST].concat(), "");
    let folder = place.open();
    let added = folder.append(&usual("2026-03-02T08:00Z"), WAIT).unwrap();
    assert!(!added.already_there);
    assert_eq!(place.text(LOG_FILE), [HEADER, FIRST, SECOND].concat());
    // Of another unit: two decimals beyond the step of the last digit.
    let other = visit(
        "2026-03-03T08:00-07:00",
        &[
            ("feed_pressure", "10.3 bar"),
            ("permeate_flow [L/min]", "13"),
        ],
    );
    let added = folder.append(&other, WAIT).unwrap();
    assert_eq!(added.line, "2026-03-03T08:00:00-07:00,149.39,3.434,,");
    let log = folder.log().unwrap().0;
    let bar = Unit::parse("bar").unwrap();
    let pressure = log.get(Column::FeedPressure).unwrap();
    let read = bar.from_canonical(pressure.values[2]);
    assert_eq!(format!("{read:.1}"), "10.3");
    assert_eq!(log.left_out, ["who", "note"]);
}

#[test]
fn the_same_visit_twice_is_there_once() {
    let place = Place::with_log([HEADER, FIRST].concat(), "");
    let folder = place.open();
    let once = folder.append(&usual("2026-03-02T08:00Z"), WAIT).unwrap();
    let twice = folder
        .append(&usual("2026-03-02T01:00-07:00"), WAIT)
        .unwrap();
    assert_eq!((once.already_there, twice.already_there), (false, true));
    assert_eq!(place.text(LOG_FILE), [HEADER, FIRST, SECOND].concat());
    // The same readings a minute later are another reading, and looked at.
    let later = folder.append(&usual("2026-03-02T08:01Z"), WAIT).unwrap();
    assert!(later.told[0].contains("repeats line 3"), "{:?}", later.told);
    assert_eq!(readings(&folder), 3);
}

#[test]
fn a_slip_of_the_pen_is_told_once_and_loses_nothing() {
    let place = Place::with_log([HEADER, FIRST].concat(), "");
    let folder = place.open();
    let good = ("feed_pressure", "152 psi");
    let cases: [(Visit, &str); 12] = [
        (
            visit("2026-03-02T08:00Z", &[("feed_presure", "152 psi")]),
            "did you mean 'feed_pressure'?",
        ),
        (
            visit("2026-03-02T08:00Z", &[("feed_pressure", "152")]),
            "no unit of pressure",
        ),
        (
            visit("2026-03-02T08:00Z", &[("feed_pressure", "152 gpm")]),
            "a unit of flow",
        ),
        (
            visit("2026-03-02T08:00Z", &[("feed_pressure", "15O psi")]),
            "'15O psi'",
        ),
        (
            visit("2026-03-02T08:00Z", &[("feed_pressure", "15200 psi")]),
            "-14.504 psi to 2900.8 psi",
        ),
        (
            visit("2026-03-02T08:00Z", &[("permeate_flow", "-3 gpm")]),
            "0 gpm to",
        ),
        (
            visit("2026-03-02T08:00Z", &[good, ("feed_pressure [bar]", "9")]),
            "given twice",
        ),
        (visit("2026-03-02T08:00Z", &[]), "no reading"),
        (visit("2026-03-02T08:00", &[good]), "a time without a zone"),
        (visit("2126-03-02T08:00Z", &[good]), "more than a day ahead"),
        (
            visit("2026-03-01T08:00Z", &[good]),
            "line 2 is of the same time",
        ),
        (
            visit("2026-03-02T08:00Z", &[good, ("train", "A")]),
            "no such column",
        ),
    ];
    for (at, (visit, why)) in cases.iter().enumerate() {
        let error = folder.append(visit, WAIT).unwrap_err();
        let text = said(&error);
        assert!(text.contains(why), "{why}: {text}");
        assert_eq!(error.faults().len(), 1, "{text}");
        assert!(text.contains(&format!("Not added: {visit}")), "{text}");
        assert_eq!(
            place.text(REFUSED_FILE).matches("Z,").count(),
            at + 1,
            "{text}"
        );
        assert!(
            place.text(REFUSED_FILE).contains(
                &visit
                    .readings
                    .last()
                    .map_or(String::new(), |(_, text)| text.clone())
            )
        );
    }
    assert_eq!(place.text(LOG_FILE), [HEADER, FIRST].concat());
}

#[test]
fn words_without_a_column_are_not_dropped() {
    let place = Place::with_log("time,feed_pressure [psi]\n", "");
    let folder = place.open();
    let mut given = visit("2026-03-02T08:00Z", &[("feed_pressure", "152 psi")]);
    given.note = Some("valve stuck".to_owned());
    let error = folder.append(&given, WAIT).unwrap_err();
    assert!(
        said(&error).contains("the log has no column for it"),
        "{error}"
    );
    assert!(place.text(REFUSED_FILE).contains("note=valve stuck"));
    // Under whatever name it has one.
    let place = Place::with_log(
        "time,Operator,feed_pressure [psi],Remarks,Turbidity [NTU]\n",
        "",
    );
    let folder = place.open();
    given.who = Some("Bo\nand Cy".to_owned());
    given
        .readings
        .push(("turbidity".to_owned(), "0.4".to_owned()));
    let added = folder.append(&given, WAIT).unwrap();
    assert_eq!(
        added.line,
        "2026-03-02T08:00:00+00:00,Bo and Cy,152,valve stuck,0.4"
    );
}

#[test]
fn stages_are_told_apart_in_long_and_wide_logs() {
    let place = Place::with_log(
        "time,stage,feed_pressure [psi]\n2026-03-01T08:00Z,1,150\n",
        "",
    );
    let folder = place.open();
    let pressure = ("feed_pressure", "152 psi");
    let error = folder
        .append(&visit("2026-03-01T08:00Z", &[pressure]), WAIT)
        .unwrap_err();
    assert!(said(&error).contains("give stage="), "{error}");
    folder
        .append(
            &visit("2026-03-01T08:00Z", &[("stage", "2"), pressure]),
            WAIT,
        )
        .unwrap();
    assert_eq!(readings(&folder), 2);
    let wide = "time,stage 1 feed_pressure [psi],stage 2 feed_pressure [psi]\n";
    let place = Place::with_log(wide, "");
    let added = place
        .open()
        .append(
            &visit("2026-03-01T08:00Z", &[("stage 2 feed_pressure", "140 psi")]),
            WAIT,
        )
        .unwrap();
    assert_eq!(added.line, "2026-03-01T08:00:00+00:00,,140");
}

/// After any number of bytes of the last line, the line is whole, or it is in `torn.csv`; what was committed before is there.
#[test]
fn a_write_cut_after_any_byte_loses_nothing() {
    for (bom, line_end, mapping) in [
        ("", "\n", "separator = \"tab\"\n"),
        ("", "\n", ""),
        ("\u{feff}", "\r\n", ""),
        ("", "\r\n", "separator = \";\"\ndecimal = \",\"\n"),
    ] {
        // The last column is a figure: "3.4" is as good a cell as "3.46".
        let mut log = format!(
            "{bom}time,who,feed_pressure [psi],permeate_flow [gpm]\n2026-03-01T08:00Z,,150,3.5\n"
        );
        if mapping.contains("tab") {
            // The last cells are empty: one tab less is one cell less.
            log = log
                .replace("\n", ",,\n")
                .replacen(",,\n", ",other,note\n", 1);
            log = log.replace(',', "\t");
        }
        if mapping.contains(';') {
            log = log.replace(',', ";").replace("3.5", "3,5");
        }
        let log = log.replace('\n', line_end);
        let given = Visit {
            note: None,
            ..usual("2026-03-02T08:00Z")
        };
        let place = Place::with_log(&log, mapping);
        let line = place.open().append(&given, WAIT).unwrap().line;
        let whole = fs::read(place.0.join(LOG_FILE)).unwrap();
        assert!(whole.starts_with(log.as_bytes()) && whole.ends_with(line_end.as_bytes()));
        let lock = fs::read(place.0.join(LOCK_FILE)).unwrap();
        for length in log.len()..=whole.len() {
            // With the record of the line last written, and, as of a folder that was copied without, none.
            for with_record in [true, false] {
                let place = Place::with_log(&whole[..length], mapping);
                if with_record {
                    fs::write(place.0.join(LOCK_FILE), &lock).unwrap();
                }
                let folder = place.open();
                let cut = &whole[log.len()..length];
                let is_whole = String::from_utf8_lossy(cut).trim_end_matches(['\r', '\n']) == line;
                let moved = place.text(TORN_FILE);
                if with_record {
                    assert_eq!(readings(&folder), 1 + usize::from(is_whole), "{length}");
                    assert_eq!(moved.is_empty(), cut.is_empty() || is_whole, "{length}");
                }
                if !moved.is_empty() {
                    let mut torn = csv::Reader::from_reader(moved.as_bytes());
                    let kept = torn.records().next().unwrap().unwrap();
                    assert_eq!(kept[3].as_bytes(), cut, "{length}");
                    assert!(
                        folder.told[0].contains("is no reading"),
                        "{:?}",
                        folder.told
                    );
                }
                let next = folder
                    .append(&usual_without_note("2026-03-03T08:00Z"), WAIT)
                    .unwrap();
                assert!(!next.already_there);
                let text = place.text(LOG_FILE);
                assert!(text.starts_with(&log), "{length}: {text:?}");
                assert!(
                    text.ends_with(&format!("{}{line_end}", next.line)),
                    "{length}: {text:?}"
                );
                if with_record {
                    // Given again, it is there, once.
                    let again = folder.append(&given, WAIT).unwrap();
                    assert_eq!(again.already_there, is_whole, "{length}");
                    assert_eq!(place.text(LOG_FILE).matches(&line).count(), 1, "{length}");
                }
                assert!(!place.text(LOG_FILE).contains("\r\r"));
            }
        }
    }
}

fn usual_without_note(time: &str) -> Visit {
    Visit {
        note: None,
        ..usual(time)
    }
}

#[test]
fn blocks_that_never_reached_the_disk_are_no_reading() {
    let place = Place::with_log([HEADER, FIRST].concat(), "");
    place
        .open()
        .append(&usual("2026-03-02T08:00Z"), WAIT)
        .unwrap();
    let path = place.0.join(LOG_FILE);
    let mut text = fs::read(&path).unwrap();
    let at = HEADER.len() + FIRST.len();
    text[at..at + 20].fill(0);
    fs::write(&path, &text).unwrap();
    let folder = place.open();
    assert_eq!(readings(&folder), 1);
    assert!(place.text(TORN_FILE).contains("cartridge changed"));
    assert!(
        !folder
            .append(&usual("2026-03-02T08:00Z"), WAIT)
            .unwrap()
            .already_there
    );
}

#[test]
fn a_last_line_without_its_end_is_kept_where_it_has_all_its_cells() {
    let place = Place::with_log([HEADER, FIRST.trim_end()].concat(), "");
    let folder = place.open();
    assert!(
        folder.told[0].contains("had all its cells but no line end"),
        "{:?}",
        folder.told
    );
    assert_eq!(place.text(LOG_FILE), [HEADER, FIRST].concat());
    folder.append(&usual("2026-03-02T08:00Z"), WAIT).unwrap();
    assert_eq!(place.text(LOG_FILE), [HEADER, FIRST, SECOND].concat());
    // A header alone, too.
    let place = Place::with_log(HEADER.trim_end(), "");
    place
        .open()
        .append(&usual("2026-03-02T08:00Z"), WAIT)
        .unwrap();
    assert_eq!(place.text(LOG_FILE), [HEADER, SECOND].concat());
}

#[test]
fn a_quote_that_is_never_closed_lets_nothing_be_added_behind_it() {
    let log = [
        HEADER,
        "2026-03-01T08:00Z,150,3.5,Ada,\"half said\n2026-03-01T09:00Z,150,3.5,,\n",
    ]
    .concat();
    let place = Place::with_log(&log, "");
    let folder = place.open();
    let error = folder
        .append(&usual("2026-03-02T08:00Z"), WAIT)
        .unwrap_err();
    assert!(
        said(&error).contains("line 2: a quote that is never closed"),
        "{error}"
    );
    assert_eq!(place.text(LOG_FILE), log);
}

#[test]
fn a_row_with_a_slip_keeps_no_visit_out() {
    let log = [HEADER, FIRST, "2026-03-01T09:00Z,15O,3.5,,\n"].concat();
    let place = Place::with_log(&log, "");
    let folder = place.open();
    folder.append(&usual("2026-03-02T08:00Z"), WAIT).unwrap();
    assert_eq!(place.text(LOG_FILE), [log.as_str(), SECOND].concat());
    assert!(said(&folder.log().unwrap_err()).contains("'15O'"));
}

#[test]
fn a_sheet_may_be_typed_in_late() {
    let place = Place::with_log([HEADER, FIRST].concat(), "");
    let folder = place.open();
    let added = folder.append(&usual("2026-02-01T08:00Z"), WAIT).unwrap();
    assert!(
        added.told[0].contains("before the log's first reading"),
        "{:?}",
        added.told
    );
    assert_eq!(folder.log().unwrap().0.table.len(), 2);
    let place = Place::with_log([HEADER, FIRST].concat(), "sort = false\n");
    let error = place
        .open()
        .append(&usual("2026-02-01T08:00Z"), WAIT)
        .unwrap_err();
    assert!(said(&error).contains("sort = true"), "{error}");
}

#[test]
fn who_holds_the_lock_is_told_and_the_visit_kept() {
    let place = Place::with_log([HEADER, FIRST].concat(), "");
    let folder = place.open();
    let held = fs::File::open(place.0.join(LOCK_FILE)).unwrap();
    // As another program would hold it.
    folder
        .append(
            &Visit {
                who: Some("Grace".to_owned()),
                ..usual("2026-03-02T08:00Z")
            },
            WAIT,
        )
        .unwrap();
    held.lock().unwrap();
    let error = folder
        .append(&usual("2026-03-03T08:00Z"), Duration::from_millis(20))
        .unwrap_err();
    let text = said(&error);
    assert!(text.contains("being written by Grace (process"), "{text}");
    assert!(place.text(REFUSED_FILE).contains("2026-03-03T08:00Z"));
    held.unlock().unwrap();
    folder.append(&usual("2026-03-03T08:00Z"), WAIT).unwrap();
}

#[test]
fn many_at_once_lose_nothing() {
    let place = Place::with_log(HEADER, "");
    let folder = place.open();
    let (writers, each) = (4, 25);
    std::thread::scope(|scope| {
        for writer in 0..writers {
            let folder = &folder;
            scope.spawn(move || {
                for at in 0..each {
                    let time = format!("2026-03-{:02}T{:02}:{:02}Z", writer + 1, at / 60, at % 60);
                    folder
                        .append(&usual(&time), Duration::from_secs(60))
                        .unwrap();
                }
            });
        }
    });
    let log = folder.log().unwrap().0;
    assert_eq!(log.table.len(), writers * each);
    let mut times = log.table.time.to_vec();
    times.dedup();
    assert_eq!(times.len(), writers * each);
}

#[test]
fn what_was_done_is_noted_and_moves_what_is_due() {
    let place = Place::with_log(HEADER, "");
    let folder = place.open();
    let on = "2026-03-01".parse().unwrap();
    let due = |folder: &SiteFolder| -> Vec<String> {
        folder
            .due(on)
            .unwrap()
            .into_iter()
            .map(|due| due.sentence)
            .collect()
    };
    assert!(
        due(&folder)[0].starts_with("lamp of UV lamp: never done"),
        "{:?}",
        due(&folder)
    );
    assert!(
        due(&folder)[1].contains("181 days overdue"),
        "{:?}",
        due(&folder)
    );
    let done = |what, of, on| Done::parse(what, of, on, Some("Ada"), None).unwrap();
    let calibration = done("calibration", Some("permeate_flow"), "2026-02-20");
    assert!(!folder.service(&calibration, WAIT).unwrap().already_there);
    assert!(folder.service(&calibration, WAIT).unwrap().already_there);
    // Older than the site file's own: that stays.
    folder
        .service(
            &done("calibration", Some("permeate_flow"), "2025-01-01"),
            WAIT,
        )
        .unwrap();
    // The only one of its kind needs no name.
    folder
        .service(&done("lamp", None, "2026-02-21"), WAIT)
        .unwrap();
    let now = due(&folder);
    assert!(now[0].contains("due in 80 days, on 2026-05-20"), "{now:?}");
    assert!(now[1].contains("due in 357 days, on 2027-02-21"), "{now:?}");
    assert_eq!(folder.services().unwrap().len(), 3);
    let told = folder
        .service(&done("other", Some("salt tank filled"), "2026-02-21"), WAIT)
        .unwrap()
        .told;
    assert!(told[0].contains("no [[service]] for it"), "{told:?}");
    for (what, of, on, why) in [
        (
            "calibration",
            Some("permeate_flo"),
            "2026-02-20",
            "did you mean 'permeate_flow'?",
        ),
        ("other", None, "2026-02-20", "name it"),
        ("lamp", None, "2126-02-20", "still to come"),
    ] {
        let error = folder.service(&done(what, of, on), WAIT).unwrap_err();
        assert!(said(&error).contains(why), "{error}");
        assert!(place.text(REFUSED_FILE).contains(what));
    }
    for (what, on, why) in [
        ("calibrate", "2026-02-20", "did you mean 'calibration'?"),
        ("cleaning", "2026-02-20", "[[event]]"),
        ("lamp", "20.2.2026", "not a date"),
    ] {
        let error = Done::parse(what, None, on, None, None).unwrap_err();
        assert!(said(&error).contains(why), "{error}");
    }
}

#[test]
fn services_are_cut_and_read_as_people_leave_them() {
    let place = Place::with_log(HEADER, "");
    let path = place.0.join(SERVICES_FILE);
    fs::write(
        &path,
        "\u{feff}Date;What;Of;Who;Note;Invoice\r\n2026-01-05;lamp;UV lamp;Ada;;17\r\n2026-02-05;la",
    )
    .unwrap();
    let folder = place.open();
    assert!(place.text(TORN_FILE).contains("2026-02-05;la"));
    assert_eq!(folder.services().unwrap()[0].of, "UV lamp");
    folder
        .service(
            &Done::parse("lamp", None, "2026-02-06", None, Some("broken")).unwrap(),
            WAIT,
        )
        .unwrap();
    assert!(
        place
            .text(SERVICES_FILE)
            .ends_with("2026-02-06;lamp;UV lamp;;broken;\r\n")
    );
    fs::write(&path, "date,what,of,who,note\nyesterday,lmp,,,\n").unwrap();
    let error = folder.services().unwrap_err();
    assert_eq!(error.faults().len(), 2);
    assert!(said(&error).contains("line 2"), "{error}");
}

#[test]
fn a_folder_is_made_whole_and_never_over_another() {
    let place = Place::new();
    let site = place.0.join("mine.toml");
    fs::write(&site, SITE).unwrap();
    let old = place.0.join("old.csv");
    let text = "time;P1;permeate_flow [L/min];concentrate_temperature [degF];Remarks\n\
                2026-03-01 08:00;10,3;13,0;55,5;fine\n2026-03-01 09:00;;13,1;;\"odd; very\"\n";
    fs::write(&old, text).unwrap();
    let options = ReadOptions {
        time_zone: Some("Etc/GMT+7".to_owned()),
        decimal: Some(','),
        columns: [("P1".to_owned(), vec!["feed_pressure [bar]".to_owned()])].into(),
        ..ReadOptions::default()
    };
    let making = Making {
        site,
        log: vec![old.clone()],
        options: options.clone(),
        time_zone: None,
    };
    let path = place.0.join("unit 2");
    let made = SiteFolder::create(&path, &making).unwrap();
    assert_eq!(made.readings, 2);
    assert!(made.told[1].contains("Remarks"), "{:?}", made.told);
    assert!(
        made.told[2].contains("concentrate_temperature [degF]"),
        "{:?}",
        made.told
    );
    assert_eq!(
        fs::read_to_string(path.join("before/old.csv")).unwrap(),
        text
    );
    assert_eq!(fs::read_to_string(path.join(SITE_FILE)).unwrap(), SITE);
    let folder = SiteFolder::open(&path).unwrap();
    let log = folder.log().unwrap().0;
    let header = fs::read_to_string(path.join(LOG_FILE)).unwrap();
    assert!(header.contains("feed_pressure [psi],"), "{header}");
    let before = read_log(&old, &options).unwrap();
    for series in &before.table.series {
        let now = log.table.series(&series.name).unwrap();
        let step = before.written_to[&series.name];
        let step = series.unit.difference_to_canonical(step);
        for (was, is) in series.values.iter().zip(now.values.iter()) {
            assert!(
                (was.is_nan() && is.is_nan()) || (was - is).abs() < 0.01 * step,
                "{}",
                series.name
            );
        }
    }
    assert_eq!(before.table.time, log.table.time);
    folder
        .append(
            &visit("2026-03-02T08:00Z", &[("feed_pressure", "150 psi")]),
            WAIT,
        )
        .unwrap();
    // What is there stays, whatever it is.
    let error = SiteFolder::create(&path, &making).unwrap_err();
    assert!(said(&error).contains("is there already"), "{error}");
    assert_eq!(folder.log().unwrap().0.table.len(), 3);
    // What can't be read makes nothing.
    fs::write(&old, "time,feed_pressure [psi]\nyesterday,1\n").unwrap();
    let other = place.0.join("unit 3");
    assert!(
        SiteFolder::create(
            &other,
            &Making {
                options: ReadOptions::default(),
                ..making
            }
        )
        .is_err()
    );
    assert!(!other.exists());
    assert!(
        entries(&place.0)
            .iter()
            .all(|name| !name.contains("making")),
        "{:?}",
        entries(&place.0)
    );
}

fn entries(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    entries
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect()
}

#[test]
fn a_blank_folder_takes_its_first_visit() {
    let place = Place::new();
    let site = place.0.join("mine.toml");
    fs::write(&site, SITE).unwrap();
    let making = Making {
        site,
        time_zone: Some("Etc/GMT+7".to_owned()),
        ..Making::default()
    };
    let path = place.0.join("unit");
    assert_eq!(SiteFolder::create(&path, &making).unwrap().readings, 0);
    let folder = SiteFolder::open(&path).unwrap();
    assert!(said(&folder.log().unwrap_err()).contains("no readings"));
    folder.append(&usual("2026-03-02T08:00"), WAIT).unwrap();
    let log: Log = folder.log().unwrap().0;
    assert_eq!(log.table.zone, "Etc/GMT+7");
    assert_eq!(log.get(Column::FeedPressure).unwrap().unit.word, "psi");
    assert!(
        fs::read_to_string(path.join(LOG_FILE))
            .unwrap()
            .contains("\n2026-03-02T08:00:00-07:00,")
    );
}

/// How people write logs.
#[derive(Debug, Clone)]
struct Dialect {
    bom: bool,
    line_end: &'static str,
    separator: char,
    decimal: char,
    format: Option<&'static str>,
    units_row: bool,
    lines_before: usize,
    ends: bool,
    quoted: bool,
}

fn dialects() -> impl Strategy<Value = Dialect> {
    let separators = prop_oneof![Just(','), Just(';'), Just('\t'), Just('|')];
    let formats = prop_oneof![
        Just(None),
        Just(Some("%d.%m.%Y %H:%M")),
        Just(Some("%m/%d/%Y %I:%M:%S %p")),
        Just(Some("%Y-%m-%d %H:%M:%S%z"))
    ];
    (
        any::<bool>(),
        prop_oneof![Just("\n"), Just("\r\n")],
        separators,
        prop_oneof![Just('.'), Just(',')],
        formats,
        any::<bool>(),
        0..3_usize,
        any::<bool>(),
        any::<bool>(),
    )
        .prop_map(
            |(bom, line_end, separator, decimal, format, units_row, lines_before, ends, quoted)| {
                Dialect {
                    bom,
                    line_end,
                    separator,
                    decimal,
                    format,
                    units_row,
                    lines_before,
                    ends,
                    quoted,
                }
            },
        )
}

impl Dialect {
    fn log(&self) -> String {
        let (name, units) = if self.units_row {
            ("feed_pressure", Some("psi"))
        } else {
            ("feed_pressure [psi]", None)
        };
        let time = match self.format {
            None => "2026-03-01T08:00-07:00",
            Some("%d.%m.%Y %H:%M") => "01.03.2026 08:00",
            Some("%m/%d/%Y %I:%M:%S %p") => "03/01/2026 08:00:00 AM",
            _ => "2026-03-01 08:00:00-0700",
        };
        let pressure = format!("150{}5", self.decimal);
        let pressure = if self.decimal == self.separator {
            format!("\"{pressure}\"")
        } else {
            pressure
        };
        let note = if self.quoted {
            "\"first, or; so\""
        } else {
            "first"
        };
        let row = |cells: [&str; 4]| cells.join(&self.separator.to_string());
        let mut lines = vec!["made by hand".to_owned(); self.lines_before];
        lines.push(row(["time", name, "who", "note"]));
        if let Some(unit) = units {
            lines.push(row(["", unit, "", ""]));
        }
        lines.push(row([time, &pressure, "Ada", note]));
        let mut text = lines.join(self.line_end);
        if self.ends {
            text += self.line_end;
        }
        if self.bom {
            format!("\u{feff}{text}")
        } else {
            text
        }
    }

    fn mapping(&self) -> String {
        let mut text = format!(
            "time_zone = \"Etc/GMT+7\"\ndecimal = \"{}\"\n",
            self.decimal
        );
        if let Some(format) = self.format {
            text += &format!("time_format = \"{format}\"\n");
        }
        if self.units_row {
            text += "units_row = true\n";
        }
        if self.lines_before > 0 {
            text += &format!("header_row = {}\n", self.lines_before + 1);
        }
        text
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, ..ProptestConfig::default() })]

    /// What stood in the file stays byte for byte; what is added is read back as it was given.
    #[test]
    fn a_log_keeps_its_dialect(
        dialect in dialects(),
        figures in prop::collection::vec((0_u32..20_000, 0_usize..3), 1..4),
        note in "[ -~]{0,20}",
    ) {
        let before = dialect.log();
        let place = Place::with_log(&before, &dialect.mapping());
        let folder = place.open();
        prop_assert_eq!(folder.log().unwrap().0.table.len(), 1);
        for (at, (figure, decimals)) in figures.iter().enumerate() {
            let value = f64::from(*figure) / 10_f64.powi(*decimals as i32);
            let text = format!("{value:.decimals$}");
            let time = format!("2026-03-{:02}T10:{at:02}", at + 2);
            let mut given = visit(&time, &[("feed_pressure", &format!("{} psi", text.replace('.', &dialect.decimal.to_string())))]);
            if let Some(format) = dialect.format {
                let naive: jiff::civil::DateTime = time.parse().unwrap();
                let zoned = naive.to_zoned_datetime(jiff::tz::TimeZone::get("Etc/GMT+7").unwrap()).unwrap();
                given.time = zoned.strftime(format).to_string();
            }
            given.note = Some(note.clone()).filter(|note| !note.trim().is_empty());
            let outcome = folder.append(&given, WAIT);
            if value * 0.068_947_57 > 200.0 {
                prop_assert!(outcome.is_err());
                continue;
            }
            prop_assert!(!outcome.unwrap().already_there);
            prop_assert!(folder.append(&given, WAIT).unwrap().already_there);
            let log = folder.log().unwrap().0;
            let series = log.get(Column::FeedPressure).unwrap();
            let last = series.values.last().copied().unwrap();
            prop_assert_eq!(last, series.unit.to_canonical(value));
        }
        let after = place.text(LOG_FILE);
        prop_assert!(after.starts_with(&before));
        prop_assert!(after.ends_with(dialect.line_end));
        prop_assert_eq!(after.matches('\n').count(), after.matches(dialect.line_end).count());
    }

    /// No panic, and nothing lost, whatever the folder's files hold.
    #[test]
    fn whatever_the_files_hold(
        log in prop::collection::vec(any::<u8>(), 0..80),
        services in prop::collection::vec(any::<u8>(), 0..80),
        lock in prop::collection::vec(any::<u8>(), 0..400),
        after_header in any::<bool>(),
    ) {
        let head = if after_header { HEADER.as_bytes() } else { b"" };
        let content = [head, &log].concat();
        let place = Place::with_log(&content, "");
        fs::write(place.0.join(SERVICES_FILE), &services).unwrap();
        fs::write(place.0.join(LOCK_FILE), &lock).unwrap();
        if let Ok(folder) = SiteFolder::open(&place.0) {
            let added = folder.append(&usual("2026-03-02T08:00Z"), WAIT);
            let text = fs::read(place.0.join(LOG_FILE)).unwrap();
            let torn = fs::read(place.0.join(TORN_FILE)).unwrap_or_default();
            if torn.is_empty() {
                prop_assert!(text.starts_with(&content));
            }
            if added.is_ok() {
                prop_assert!(text.ends_with(SECOND.as_bytes()) || text.ends_with(SECOND.replace('\n', "\r\n").as_bytes()));
            }
            let _ = folder.services();
        }
    }
}
