//! What is proposed for files of plants that nobody has seen: right, or honestly undecided.

mod common;

use brinemark::log::describe::{Confidence, Decimal, Description, Meaning, Order, describe};
use brinemark::log::{Column, look};
use brinemark::units::Unit;
use proptest::prelude::*;

/// Describes the text of a file.
fn described(text: &str) -> Description {
    let path = common::file(text.as_bytes());
    let sample = look(&path, 5000);
    std::fs::remove_file(path).ok();
    let sample = sample.expect("a table of text");
    describe(&sample.titles, &sample.rows, sample.separator)
}

/// What is proposed for a header, and how surely.
fn of(found: &Description, header: &str) -> (String, Confidence) {
    let column = found
        .columns
        .iter()
        .find(|column| column.header == header)
        .unwrap_or_else(|| panic!("no column '{header}'"));
    let meaning = column.proposal.map(|meaning| meaning.to_string());
    (meaning.unwrap_or_default(), column.confidence)
}

/// Numbers from a seed (splitmix64), evenly spread from 0 to 1.
struct Chance(u64);

impl Chance {
    fn next(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.next()
    }

    fn of<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[(self.next() * choices.len() as f64) as usize]
    }
}

/// What an invented plant's readings lie around.
#[derive(Debug, Clone, Copy)]
struct Plant {
    feed_flow: f64,
    recovery: f64,
    feed_pressure: f64,
    difference: f64,
    permeate_pressure: f64,
    feed_conductivity: f64,
    passage: f64,
    temperature: f64,
    /// How far meters scatter, as a share.
    scatter: f64,
}

const SKID: Plant = Plant {
    feed_flow: 12.0,
    recovery: 0.72,
    feed_pressure: 10.5,
    difference: 0.9,
    permeate_pressure: 0.4,
    feed_conductivity: 1400.0,
    passage: 0.02,
    temperature: 17.0,
    scatter: 0.004,
};

impl Plant {
    fn by_chance(chance: &mut Chance) -> Self {
        let sea = chance.next() < 0.3;
        let feed_pressure = if sea {
            chance.between(45.0, 68.0)
        } else {
            chance.between(6.0, 22.0)
        };
        Self {
            feed_flow: 10_f64.powf(chance.between(0.0, 2.5)),
            recovery: if sea {
                chance.between(0.33, 0.48)
            } else {
                chance.between(0.5, 0.85)
            },
            feed_pressure,
            difference: chance.between(0.4, 2.0),
            permeate_pressure: chance.between(0.1, 1.5),
            feed_conductivity: if sea {
                chance.between(40_000.0, 56_000.0)
            } else {
                chance.between(400.0, 6_000.0)
            },
            passage: chance.between(0.005, 0.04),
            temperature: chance.between(8.0, 30.0),
            scatter: chance.between(0.0, 0.01),
        }
    }

    /// One row of readings, in canonical units.
    fn row(&self, chance: &mut Chance) -> impl Fn(Column) -> f64 + use<> {
        let plant = *self;
        let swing = 1.0 + 0.1 * (chance.next() - 0.5);
        let errors: Vec<f64> = Column::ALL
            .iter()
            .map(|_| 1.0 + plant.scatter * 2.0 * (chance.next() - 0.5))
            .collect();
        move |column| {
            let flow = plant.feed_flow * swing;
            let salt_out = plant.feed_conductivity * (1.0 - plant.recovery * plant.passage)
                / (1.0 - plant.recovery);
            let value = match column {
                Column::FeedFlow => flow,
                Column::PermeateFlow => flow * plant.recovery,
                Column::ConcentrateFlow => flow * (1.0 - plant.recovery),
                Column::FeedPressure => plant.feed_pressure * swing,
                Column::ConcentratePressure => plant.feed_pressure * swing - plant.difference,
                Column::DifferentialPressure => plant.difference,
                Column::PermeatePressure => plant.permeate_pressure,
                Column::FeedConductivity => plant.feed_conductivity,
                Column::PermeateConductivity => plant.feed_conductivity * plant.passage,
                Column::ConcentrateConductivity => salt_out,
                Column::FeedTemperature => plant.temperature + 10.0 * (swing - 1.0),
                Column::FeedPh => 7.4,
                Column::Running => return 1.0,
                other => panic!("not simulated: {}", other.name()),
            };
            let at = Column::ALL
                .iter()
                .position(|known| *known == column)
                .unwrap_or(0);
            value * errors[at]
        }
    }
}

/// A file of readings: each header with its column and unit, the time ahead of them.
fn file(
    plant: Plant,
    columns: &[(&str, Column, &str)],
    time: impl Fn(usize) -> String,
    rows: usize,
    separator: char,
) -> String {
    let mut chance = Chance(7);
    let between = separator.to_string();
    let headers: Vec<&str> = std::iter::once("Date/Time")
        .chain(columns.iter().map(|(header, ..)| *header))
        .collect();
    let mut text = headers.join(&between) + "\n";
    for at in 0..rows {
        let row = plant.row(&mut chance);
        let mut cells = vec![time(at)];
        for (_, column, unit) in columns {
            let unit = Unit::parse(unit).expect("a unit");
            cells.push(format!("{:.3}", unit.from_canonical(row(*column))));
        }
        text += &(cells.join(&between) + "\n");
    }
    text
}

fn us_time(at: usize) -> String {
    format!(
        "{}/{}/2026 {}:00",
        1 + at / 27 % 12,
        1 + at % 27,
        6 + at % 3
    )
}

fn iso_time(at: usize) -> String {
    format!("2026-03-{:02}T{:02}:00", 1 + at / 24, at % 24)
}

#[test]
fn american_gauges_with_odd_tags() {
    let columns = [
        ("PT-101 Feed (psi)", Column::FeedPressure, "psi"),
        ("PT-102 Rej (psi)", Column::ConcentratePressure, "psi"),
        ("FIT-201 Perm (gpm)", Column::PermeateFlow, "gpm"),
        ("FIT-202 Reject (gpm)", Column::ConcentrateFlow, "gpm"),
        ("Feed Cond uS", Column::FeedConductivity, "uS/cm"),
        ("Perm Cond uS", Column::PermeateConductivity, "uS/cm"),
        ("TT-101 (F)", Column::FeedTemperature, "degF"),
    ];
    let found = described(&file(SKID, &columns, us_time, 60, ','));
    assert_eq!(of(&found, "Date/Time"), ("time".into(), Confidence::Sure));
    let time = found.time.as_ref().expect("times");
    assert_eq!(time.format.as_deref(), Some("%m/%d/%Y %H:%M"));
    assert!(!time.zone_stated);
    for (header, column, unit) in &columns[..6] {
        assert_eq!(
            of(&found, header),
            (format!("{} [{unit}]", column.name()), Confidence::Sure),
            "{found}"
        );
    }
    assert_eq!(
        of(&found, "TT-101 (F)"),
        ("feed_temperature [degF]".into(), Confidence::Likely)
    );
}

#[test]
fn european_decimals_and_semicolons_in_german() {
    let columns = [
        ("Druck Zulauf [bar]", Column::FeedPressure, "bar"),
        ("Druck Konzentrat [bar]", Column::ConcentratePressure, "bar"),
        ("Differenzdruck [bar]", Column::DifferentialPressure, "bar"),
        ("Permeatdurchfluss [m³/h]", Column::PermeateFlow, "m3/h"),
        (
            "Durchfluss Konzentrat [m³/h]",
            Column::ConcentrateFlow,
            "m3/h",
        ),
        (
            "Leitfähigkeit Permeat [µS/cm]",
            Column::PermeateConductivity,
            "uS/cm",
        ),
        ("Temperatur [°C]", Column::FeedTemperature, "degC"),
    ];
    let text = file(
        SKID,
        &columns,
        |at| format!("{:02}.03.2026 {:02}:00", 1 + at / 24, at % 24),
        48,
        ';',
    );
    let text = text.replace('.', ",").replace(",03,2026", ".03.2026");
    let found = described(&text);
    assert_eq!(
        (found.separator, found.decimal),
        (Some(';'), Decimal::Comma)
    );
    assert_eq!(
        found.time.as_ref().and_then(|time| time.format.as_deref()),
        Some("%d.%m.%Y %H:%M")
    );
    for (header, column, unit) in &columns {
        let (meaning, confidence) = of(&found, header);
        assert_eq!(meaning, format!("{} [{unit}]", column.name()), "{found}");
        assert!(confidence >= Confidence::Likely, "{found}");
    }
    let mapping = found.mapping();
    for line in [
        "separator = \";\"",
        "decimal = \",\"",
        "time_format = \"%d.%m.%Y %H:%M\"",
        "# time_zone = ",
    ] {
        assert!(mapping.contains(line), "{mapping}");
    }
}

#[test]
fn tags_of_a_control_system() {
    let columns = [
        ("RO1_Feed_Press_PV (bar)", Column::FeedPressure, "bar"),
        (
            "RO1_Conc_Press_PV (bar)",
            Column::ConcentratePressure,
            "bar",
        ),
        ("RO1.PermFlow.PV (m3/h)", Column::PermeateFlow, "m3/h"),
        ("RO1.ConcFlow.PV (m3/h)", Column::ConcentrateFlow, "m3/h"),
        ("RO1.FeedFlow.PV (m3/h)", Column::FeedFlow, "m3/h"),
        ("RO1_FeedTemp_degC", Column::FeedTemperature, "degC"),
    ];
    let found = described(&file(SKID, &columns, iso_time, 60, ','));
    for (header, column, unit) in &columns {
        assert_eq!(
            of(&found, header),
            (format!("{} [{unit}]", column.name()), Confidence::Sure),
            "{found}"
        );
    }
    let flow = found
        .columns
        .iter()
        .find(|column| column.header.contains("PermFlow"))
        .expect("a column");
    assert!(
        flow.evidence
            .iter()
            .any(|line| line.contains("permeate + concentrate equals feed within 0.")),
        "{found}"
    );
}

#[test]
fn flow_meters_known_by_number_alone_are_told_by_their_balance() {
    let columns = [
        ("FI 201 m3/h", Column::FeedFlow, "m3/h"),
        ("FI 202 m3/h", Column::PermeateFlow, "m3/h"),
        ("FI 203 m3/h", Column::ConcentrateFlow, "m3/h"),
        ("EC feed", Column::FeedConductivity, "uS/cm"),
        ("EC perm", Column::PermeateConductivity, "uS/cm"),
        ("EC conc", Column::ConcentrateConductivity, "uS/cm"),
    ];
    let found = described(&file(SKID, &columns, iso_time, 40, ','));
    for (header, column, unit) in &columns[..3] {
        assert_eq!(
            of(&found, header),
            (format!("{} [{unit}]", column.name()), Confidence::Likely),
            "{found}"
        );
    }
    // Without conductivities nothing tells permeate from concentrate, nor a stage from the whole.
    let found = described(&file(SKID, &columns[..3], iso_time, 40, ','));
    for (header, ..) in &columns[..3] {
        assert!(of(&found, header).1 <= Confidence::Possible, "{found}");
    }
    assert_eq!(of(&found, "FI 201 m3/h").0, "feed_flow [m3/h]");
}

#[test]
fn one_flow_without_its_unit_beside_two_with_theirs() {
    let columns = [
        ("Feed flow (m3/h)", Column::FeedFlow, "m3/h"),
        ("Permeate flow", Column::PermeateFlow, "gpm"),
        ("Concentrate flow (m3/h)", Column::ConcentrateFlow, "m3/h"),
    ];
    let found = described(&file(SKID, &columns, iso_time, 40, ','));
    assert_eq!(
        of(&found, "Permeate flow"),
        ("permeate_flow [gpm]".into(), Confidence::Likely),
        "{found}"
    );
    assert!(
        found.mapping().contains("if 'Permeate flow' is gpm"),
        "{}",
        found.mapping()
    );
}

#[test]
fn a_feed_meter_behind_the_recycle_is_no_raw_feed() {
    let row = |at: usize| {
        let swing = 1.0 + 0.03 * (at % 7) as f64;
        let figures =
            [60.0, 30.0, 10.0, 20.0, 150.0].map(|figure| format!("{:.2}", figure * swing));
        format!("{},{}\n", iso_time(at), figures.join(","))
    };
    let rows: String = (0..40).map(row).collect();
    let found = described(&format!(
        "time,Feed gpm,Perm gpm,Conc gpm,Recyc gpm,Feed psi\n{rows}"
    ));
    assert_eq!(of(&found, "Recyc gpm").0, "recycle_flow [gpm]", "{found}");
    assert_eq!(of(&found, "Feed gpm").1, Confidence::Possible, "{found}");
    assert!(
        found.to_string().contains("where the recycle has joined"),
        "{found}"
    );
}

#[test]
fn headers_that_look_exchanged_are_left_to_the_reader() {
    let columns = [
        ("Feed pressure (bar)", Column::ConcentratePressure, "bar"),
        ("Concentrate pressure (bar)", Column::FeedPressure, "bar"),
        (
            "Feed conductivity (uS/cm)",
            Column::PermeateConductivity,
            "uS/cm",
        ),
        (
            "Permeate conductivity (uS/cm)",
            Column::FeedConductivity,
            "uS/cm",
        ),
        ("Permeate flow (m3/h)", Column::PermeateFlow, "m3/h"),
    ];
    let found = described(&file(SKID, &columns, iso_time, 40, ','));
    for (header, ..) in &columns[..4] {
        assert!(of(&found, header).1 <= Confidence::Possible, "{found}");
    }
    assert_eq!(of(&found, "Permeate flow (m3/h)").1, Confidence::Sure);
    assert!(found.to_string().contains("exchanged"), "{found}");
    assert!(found.mapping().contains("# \"Feed pressure (bar)\""));
}

#[test]
fn one_gauge_in_psi_beside_one_in_bar() {
    let columns = [
        ("Feed pressure", Column::FeedPressure, "psi"),
        ("Reject pressure", Column::ConcentratePressure, "bar"),
        ("Permeate flow gpm", Column::PermeateFlow, "gpm"),
    ];
    let found = described(&file(SKID, &columns, iso_time, 40, ','));
    assert_eq!(
        of(&found, "Feed pressure"),
        ("feed_pressure [psi]".into(), Confidence::Likely),
        "{found}"
    );
    assert_eq!(
        of(&found, "Reject pressure"),
        ("concentrate_pressure [bar]".into(), Confidence::Likely),
        "{found}"
    );
}

#[test]
fn a_pressure_that_may_be_bar_or_psi_is_said_to_be_undecided() {
    let plant = Plant {
        feed_pressure: 60.0,
        ..SKID
    };
    let columns = [
        ("Feed pressure", Column::FeedPressure, "bar"),
        ("Permeate flow gpm", Column::PermeateFlow, "gpm"),
    ];
    let found = described(&file(plant, &columns, iso_time, 40, ','));
    assert_eq!(
        of(&found, "Feed pressure").1,
        Confidence::Possible,
        "{found}"
    );
    assert!(
        found.to_string().contains("undecided by range: bar or psi"),
        "{found}"
    );
}

#[test]
fn a_temperature_without_its_unit() {
    let columns = [
        ("Feed Temp", Column::FeedTemperature, "degF"),
        ("Perm Flow gpm", Column::PermeateFlow, "gpm"),
    ];
    let found = described(&file(SKID, &columns, iso_time, 40, ','));
    assert_eq!(
        of(&found, "Feed Temp"),
        ("feed_temperature [degF]".into(), Confidence::Likely),
        "{found}"
    );
    // 41 may be either.
    let cold = Plant {
        temperature: 5.0,
        ..SKID
    };
    let found = described(&file(cold, &columns, iso_time, 40, ','));
    assert_eq!(of(&found, "Feed Temp").1, Confidence::Possible, "{found}");
}

#[test]
fn a_data_loggers_preamble_and_its_row_of_units() {
    let columns = [
        ("Feed_P", Column::FeedPressure, "bar"),
        ("Conc_P", Column::ConcentratePressure, "bar"),
        ("Perm_Q", Column::PermeateFlow, "m3/h"),
        ("Perm_EC", Column::PermeateConductivity, "uS/cm"),
    ];
    let text = file(SKID, &columns, iso_time, 40, ',');
    let (header, rows) = text.split_once('\n').expect("rows");
    let text =
        format!("Logger 7,,\nSerial,1234\nStart of data\n{header}\n,bar,bar,m3/h,uS/cm\n{rows}");
    let found = described(&text);
    assert_eq!(found.rows, 40);
    for (header, column, unit) in &columns {
        let (meaning, confidence) = of(&found, header);
        assert_eq!(meaning, format!("{} [{unit}]", column.name()), "{found}");
        assert!(confidence >= Confidence::Possible, "{found}");
    }
    assert!(
        found.notes.iter().any(|note| note.contains("holds units")),
        "{found}"
    );
}

#[test]
fn a_wide_table_of_stages() {
    let columns = [
        ("Stage 1 Feed Press (psi)", Column::FeedPressure, "psi"),
        ("Stage 1 Perm Flow (gpm)", Column::PermeateFlow, "gpm"),
        ("Stage 1 dP (psi)", Column::DifferentialPressure, "psi"),
        (
            "Stage 2 Feed Press (psi)",
            Column::ConcentratePressure,
            "psi",
        ),
        ("Stage 2 Perm Flow (gpm)", Column::PermeateFlow, "gpm"),
        ("Stage 2 dP (psi)", Column::DifferentialPressure, "psi"),
    ];
    let found = described(&file(SKID, &columns, iso_time, 40, ','));
    for (header, target) in [
        ("Stage 1 Feed Press (psi)", "stage 1 feed_pressure [psi]"),
        ("Stage 1 Perm Flow (gpm)", "stage 1 permeate_flow [gpm]"),
        ("Stage 2 Feed Press (psi)", "stage 2 feed_pressure [psi]"),
        ("Stage 2 dP (psi)", "stage 2 differential_pressure [psi]"),
    ] {
        let (meaning, confidence) = of(&found, header);
        assert_eq!(meaning, target);
        assert_eq!(confidence, Confidence::Sure, "{found}");
    }
}

#[test]
fn visits_kept_by_hand() {
    let text = "Visit,Who,Feed psi,Reject psi,Perm GPM,Reject GPM,Perm uS,Feed uS,Temp F,Remarks\n\
        3/2/26,AB,141,128,30.1,10.2,21,1180,61,\n\
        4/6/26,AB,142,129,29.8,10.0,22,1175,63,new filters\n\
        5/4/26,CD,143,129,29.9,10.1,22,1190,66,\n\
        6/1/26,AB,145,130,29.5,10.0,24,1210,70,\n\
        7/6/26,CD,146,131,29.4,9.9,,1205,72,meter?\n\
        8/3/26,AB,147,131,29.2,9.8,26,1220,73,\n";
    let found = described(text);
    // Every day and month is below 13, and so may be either.
    let time = found.time.as_ref().expect("times");
    assert_eq!(of(&found, "Visit").0, "time");
    assert!(
        time.undecided.is_some() || time.format.as_deref() == Some("%m/%d/%y"),
        "{found}"
    );
    for (header, target) in [
        ("Feed psi", "feed_pressure [psi]"),
        ("Reject psi", "concentrate_pressure [psi]"),
        ("Perm GPM", "permeate_flow [gpm]"),
        ("Reject GPM", "concentrate_flow [gpm]"),
        ("Perm uS", "permeate_conductivity [uS/cm]"),
        ("Feed uS", "feed_conductivity [uS/cm]"),
        ("Temp F", "feed_temperature [degF]"),
    ] {
        let (meaning, confidence) = of(&found, header);
        assert_eq!(meaning, target, "{found}");
        assert!(confidence >= Confidence::Likely, "{found}");
    }
    for words in ["Who", "Remarks"] {
        let column = found
            .columns
            .iter()
            .find(|column| column.header == words)
            .expect("a column");
        assert!(column.no_readings);
    }
    assert!(found.mapping().contains("\"Who\" = false"));
}

#[test]
fn files_that_are_no_log_of_a_unit_propose_nothing() {
    let sales = "Date,Product,Net,Tax,Gross,Units\n2026-01-01,Chair,100,19,119,4\n2026-01-02,Table,200,38,238,2\n\
        2026-01-03,Lamp,50,9.5,59.5,7\n2026-01-04,Chair,300,57,357,12\n";
    let weather = "Time,Temperature (°C),Pressure (hPa),Humidity (%),Wind (m/s),Rain (mm)\n\
        2026-01-01T00:00,4.1,1013,81,3.1,0\n2026-01-01T01:00,4.0,1012,82,3.5,0.2\n2026-01-01T02:00,3.8,1012,84,3.0,0\n";
    let exchanger = "time,Inlet temp (C),Outlet temp (C),Inlet pressure (bar),Outlet pressure (bar),Flow (m3/h)\n\
        2026-01-01T00:00,20,31,4.0,3.5,12\n2026-01-01T01:00,21,32,4.1,3.6,12.5\n2026-01-01T02:00,21,33,4.1,3.5,12.4\n";
    let people = "Name;Age;City\nA;31;B\nC;42;D\nE;28;F\n";
    for text in [sales, weather, exchanger, people] {
        let found = described(text);
        assert!(
            found.columns.iter().all(|column| column.proposal.is_none()),
            "{found}"
        );
        assert!(
            found
                .notes
                .iter()
                .any(|note| note.contains("nothing here looks like")),
            "{found}"
        );
        let kept = found.mapping();
        assert!(
            kept.lines()
                .skip_while(|line| *line != "[columns]")
                .all(|line| {
                    line.starts_with('#') || line.contains("= false") || line == "[columns]"
                }),
            "{kept}"
        );
    }
}

#[test]
fn what_else_a_plant_logs_is_not_taken_for_readings() {
    let columns = [
        ("Feed Pressure (psi)", Column::FeedPressure, "psi"),
        (
            "Cartridge filter dP (psi)",
            Column::DifferentialPressure,
            "psi",
        ),
        ("Permeate Flow (gpm)", Column::PermeateFlow, "gpm"),
        ("Feed turbidity (NTU)", Column::PermeatePressure, "bar"),
        ("Free chlorine (ppm)", Column::PermeatePressure, "bar"),
        ("Recovery (%)", Column::FeedTemperature, "degC"),
        ("Tank level (m)", Column::PermeatePressure, "bar"),
        ("Pump speed Hz", Column::FeedTemperature, "degC"),
        ("Norm. permeate flow (gpm)", Column::PermeateFlow, "gpm"),
        ("Feed pressure (psia)", Column::FeedPressure, "psi"),
    ];
    let found = described(&file(SKID, &columns, iso_time, 40, ','));
    assert_eq!(
        of(&found, "Feed Pressure (psi)"),
        ("feed_pressure [psi]".into(), Confidence::Sure),
        "{found}"
    );
    assert_eq!(
        of(&found, "Permeate Flow (gpm)"),
        ("permeate_flow [gpm]".into(), Confidence::Sure),
        "{found}"
    );
    assert!(
        of(&found, "Cartridge filter dP (psi)").1 <= Confidence::Possible,
        "{found}"
    );
    for (header, ..) in &columns[3..] {
        assert_eq!(of(&found, header).1, Confidence::None, "{header}: {found}");
    }
}

#[test]
fn two_columns_of_one_name_are_for_the_reader_to_tell() {
    let columns = [
        ("Feed pressure A (psi)", Column::FeedPressure, "psi"),
        ("Feed pressure B (psi)", Column::FeedPressure, "psi"),
        ("Permeate flow (gpm)", Column::PermeateFlow, "gpm"),
    ];
    let found = described(&file(SKID, &columns, iso_time, 40, ','));
    assert!(
        of(&found, "Feed pressure A (psi)").1 <= Confidence::Possible,
        "{found}"
    );
    assert!(
        of(&found, "Feed pressure B (psi)").1 <= Confidence::Possible,
        "{found}"
    );
}

#[test]
fn switches_labels_and_several_trains() {
    let text = "time,stage,Running,Train 1 perm flow (gpm),Train 2 perm flow (gpm)\n\
        2026-01-01T00:00Z,1,on,30.1,29.1\n2026-01-01T00:00Z,2,on,30.2,29.2\n2026-01-01T01:00Z,1,off,0,0\n2026-01-01T01:00Z,2,off,0,0\n\
        2026-01-01T02:00Z,1,on,30.0,29.4\n2026-01-01T02:00Z,2,on,30.3,29.5\n";
    let found = described(text);
    assert!(
        found
            .time
            .as_ref()
            .is_some_and(|time| time.zone_stated && time.order == Order::OldestFirst)
    );
    assert!(!found.mapping().contains("time_zone"));
    assert_eq!(of(&found, "stage"), ("stage".into(), Confidence::Sure));
    assert_eq!(
        of(&found, "Running"),
        ("running".into(), Confidence::Sure),
        "{found}"
    );
    assert_eq!(
        of(&found, "Train 1 perm flow (gpm)").0,
        "permeate_flow [gpm]",
        "{found}"
    );
    assert_eq!(of(&found, "Train 2 perm flow (gpm)").1, Confidence::None);
    assert!(found.notes.iter().any(|note| note.contains("trains 1, 2")));
}

#[test]
fn dates_apart_from_their_clocks_and_newest_rows_first() {
    let text = "Date,Clock,Perm flow gpm,Feed psi\n2026-01-03,16:00,30.1,140\n2026-01-03,08:00,30.2,141\n2026-01-02,16:00,30.0,141\n2026-01-02,08:00,30.1,142\n";
    let found = described(text);
    assert!(of(&found, "Date").1 <= Confidence::Possible, "{found}");
    let notes = found.notes.join("\n");
    assert!(
        notes.contains("join them into one column") && notes.contains("newest row comes first"),
        "{found}"
    );
}

#[test]
fn a_mapping_is_toml_whatever_the_headers_hold() {
    let headers = [
        "a\"b",
        "c\\d",
        "e\nf",
        "g\u{7f}h",
        "",
        "Perm flow (gpm)",
        "Perm flow (gpm)",
        "ü=µ # no",
    ];
    let titles: Vec<String> = headers.iter().map(|header| (*header).to_owned()).collect();
    let row = |at: usize| {
        (0..headers.len())
            .map(|column| format!("{}", 30 + at + column))
            .collect()
    };
    let rows: Vec<Vec<String>> = (0..9).map(row).collect();
    let words: Vec<Vec<String>> = (0..9)
        .map(|_| vec!["some\nwords".to_owned(); headers.len()])
        .collect();
    for rows in [rows, words] {
        let found = describe(&titles, &rows, Some('\t'));
        let text = found.mapping();
        let read: toml::Table = text
            .parse()
            .unwrap_or_else(|error| panic!("{error}\n{text}"));
        assert_eq!(read["separator"].as_str(), Some("\t"));
        // So do the lines in comments, once their sign is taken away.
        let open = text
            .lines()
            .filter_map(|line| line.strip_prefix("# \"").map(|rest| format!("\"{rest}")));
        for line in open {
            assert!(line.parse::<toml::Table>().is_ok(), "{line}");
        }
    }
}

/// How a file's headers tell what its columns are.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Told {
    Nothing,
    Units,
    Words,
    Both,
}

/// Titles, rows, and what each column is.
type PlantFile = (
    Vec<String>,
    Vec<Vec<String>>,
    Vec<Option<(Column, &'static str)>>,
);

/// A plant's file by chance: its titles, rows, and what each column is.
fn by_chance(seed: u64, told: Told) -> PlantFile {
    let mut chance = Chance(seed);
    let plant = Plant::by_chance(&mut chance);
    let words: [(Column, &[&str], &[&str]); 13] = [
        (
            Column::FeedFlow,
            &["Feed flow", "Q feed", "FeedFlow", "Durchfluss Speisewasser"],
            &["m3/h", "gpm", "L/min"],
        ),
        (
            Column::PermeateFlow,
            &[
                "Perm flow",
                "Product flow",
                "FIT-2 Permeate",
                "Permeatdurchfluss",
            ],
            &["m3/h", "gpm", "L/min"],
        ),
        (
            Column::ConcentrateFlow,
            &["Reject flow", "Brine flow", "ConcFlow", "Caudal rechazo"],
            &["m3/h", "gpm", "L/min"],
        ),
        (
            Column::FeedPressure,
            &["Feed pressure", "Feed P", "PT-1 feed", "Druck Zulauf"],
            &["bar", "psi", "kPa"],
        ),
        (
            Column::ConcentratePressure,
            &["Reject press", "Conc P", "Brine pressure"],
            &["bar", "psi", "kPa"],
        ),
        (
            Column::PermeatePressure,
            &["Perm pressure", "Product press", "Permeate P"],
            &["bar", "psi"],
        ),
        (
            Column::DifferentialPressure,
            &["dP", "Delta P", "Differenzdruck"],
            &["bar", "psi", "kPa"],
        ),
        (
            Column::FeedConductivity,
            &["Feed cond", "EC feed", "Raw conductivity"],
            &["uS/cm", "mS/cm"],
        ),
        (
            Column::PermeateConductivity,
            &["Perm cond", "Product EC", "PermCond"],
            &["uS/cm"],
        ),
        (
            Column::ConcentrateConductivity,
            &["Conc cond", "Reject EC"],
            &["uS/cm", "mS/cm"],
        ),
        (
            Column::FeedTemperature,
            &["Feed temp", "Temperature", "TT-1"],
            &["degC", "degF"],
        ),
        (Column::FeedPh, &["Feed pH", "pH"], &[""]),
        (Column::Running, &["Running", "Run status"], &[""]),
    ];
    let mut columns: Vec<(String, Option<(Column, &'static str)>)> = Vec::new();
    for (column, names, units) in words {
        if chance.next() < 0.25 {
            continue;
        }
        let unit = chance.of(units);
        let name = match told {
            Told::Nothing | Told::Units => format!("c{}", columns.len() + 1),
            Told::Words | Told::Both => chance.of(names).to_owned(),
        };
        let name = match told {
            Told::Units | Told::Both if !unit.is_empty() => format!("{name} ({unit})"),
            _ => name,
        };
        columns.push((name, Some((column, unit))));
    }
    columns.push(("x9".to_owned(), None));
    for at in (1..columns.len()).rev() {
        let other = (chance.next() * (at + 1) as f64) as usize;
        columns.swap(at, other);
    }
    let mut titles = vec!["time".to_owned()];
    titles.extend(columns.iter().map(|(name, _)| name.clone()));
    let rows = (0..40)
        .map(|at| {
            let row = plant.row(&mut chance);
            let mut cells = vec![iso_time(at)];
            for (_, truth) in &columns {
                cells.push(match truth {
                    Some((column, "")) => format!("{:.2}", row(*column)),
                    Some((column, unit)) => {
                        let unit = Unit::parse(unit).expect("a unit");
                        format!("{:.4}", unit.from_canonical(row(*column)))
                    }
                    None => format!("{:.2}", chance.between(0.0, 100.0)),
                });
            }
            cells
        })
        .collect();
    let truth = std::iter::once(None)
        .chain(columns.iter().map(|(_, truth)| *truth))
        .collect();
    (titles, rows, truth)
}

/// How many proposals of many plants' files there are at least this sure, and how many of them are right.
#[derive(Debug, Default)]
struct Count {
    proposed: usize,
    right: usize,
}

/// The columns of many plants' files, with what was proposed for them: sure, and likely or sure.
fn counted(told: Told) -> (usize, Count, Count) {
    const FILES: u64 = 60;
    let (mut columns, mut sure, mut likely) = (0, Count::default(), Count::default());
    for seed in 0..FILES {
        let (titles, rows, truth) = by_chance(seed, told);
        let found = describe(&titles, &rows, Some(','));
        for (column, truth) in found.columns.iter().zip(&truth).skip(1) {
            columns += 1;
            let is = match (column.proposal, truth) {
                (Some(Meaning::Reading { column, unit, .. }), Some((true_column, true_unit))) => {
                    column == *true_column && (unit.word == *true_unit || true_unit.is_empty())
                }
                _ => false,
            };
            for (count, least) in [
                (&mut sure, Confidence::Sure),
                (&mut likely, Confidence::Likely),
            ] {
                if column.confidence >= least {
                    count.proposed += 1;
                    count.right += usize::from(is);
                }
            }
            if column.confidence >= Confidence::Likely && !is {
                println!("{told:?}, file {seed}: {truth:?} is taken for {column:?}");
            }
        }
    }
    (columns, sure, likely)
}

#[test]
fn what_is_sure_is_right_and_what_is_likely_nearly_always() {
    for told in [Told::Nothing, Told::Units, Told::Words, Told::Both] {
        let (columns, sure, likely) = counted(told);
        println!("{told:?}: {columns} columns; sure: {sure:?}; likely or sure: {likely:?}");
        assert!(
            sure.right as f64 >= 0.99 * sure.proposed as f64,
            "{told:?}: {sure:?}"
        );
        assert!(
            likely.right as f64 >= 0.97 * likely.proposed as f64,
            "{told:?}: {likely:?}"
        );
        // Headers that say all must not be left undecided; headers that say nothing can't make anything sure.
        let share = |count: &Count| count.proposed as f64 / columns as f64;
        match told {
            Told::Nothing => assert_eq!(sure.proposed, 0),
            Told::Units => assert!(share(&likely) > 0.05, "{likely:?}"),
            Told::Words => assert!(share(&likely) > 0.3, "{likely:?}"),
            Told::Both => assert!(
                share(&likely) > 0.75 && share(&sure) > 0.5,
                "{sure:?} {likely:?}"
            ),
        }
    }
}

#[test]
fn two_hundred_columns_are_described_in_time() {
    let titles: Vec<String> = (0..200)
        .map(|at| format!("Tag {at} {}", ["(bar)", "", "(gpm)", "FI", "EC"][at % 5]))
        .collect();
    let mut chance = Chance(3);
    let rows: Vec<Vec<String>> = (0..500)
        .map(|_| {
            (0..200)
                .map(|_| format!("{:.2}", chance.between(1.0, 90.0)))
                .collect()
        })
        .collect();
    let start = std::time::Instant::now();
    let found = describe(&titles, &rows, None);
    assert_eq!(found, describe(&titles, &rows, None));
    assert!(
        found
            .columns
            .iter()
            .all(|column| column.confidence < Confidence::Sure)
    );
    assert!(start.elapsed().as_secs() < 60, "{:?}", start.elapsed());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_table_of_text_is_described(
        titles in prop::collection::vec("(feed|perm|flow|p|µS|\\(|\\]|stage|[0-9]|\\PC){0,6}", 0..6),
        rows in prop::collection::vec(prop::collection::vec("([0-9]{1,5}|,|\\.|:|/|-|e|\\PC){0,7}", 0..7), 0..12),
    ) {
        let found = describe(&titles, &rows, Some(';'));
        prop_assert_eq!(found.columns.len(), titles.len());
        let text = found.mapping();
        prop_assert!(text.parse::<toml::Table>().is_ok(), "{}", text);
        let _ = found.to_string();
    }

    #[test]
    fn any_file_is_sampled_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let path = common::file(&bytes);
        let sampled = look(&path, 50);
        std::fs::remove_file(path).ok();
        if let Ok(sampled) = sampled {
            let _ = describe(&sampled.titles, &sampled.rows, sampled.separator).mapping();
        }
    }
}
