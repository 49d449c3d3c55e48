//! What calibrations found, and so what an instrument was off by from one to the next.
//!
//! A calibration that says by how much an instrument was found off, before anything was adjusted, speaks of all readings since it was last left
//! right: what it was off by then and what it is found off by now are the ends between which it lay. Readings in between are corrected for the
//! middle of the two (JCGM 100:2008, 3.2.3). Half of the difference is taken as a standard uncertainty, since an instrument may have gone at
//! once, early or late: then it lay at one of the ends all along. Beside it stands what the calibrations themselves are uncertain by. Readings
//! before the first and after the last calibration stay as they are: nothing is extrapolated.

use std::collections::BTreeMap;

use serde::Serialize;

use super::{Accuracy, Event, EventKind, Site};
use crate::log::Column;

/// What the certificate of a calibration tells.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Certificate {
    /// What the instrument was found off by, before anything was adjusted; `None` where nobody looked.
    pub as_found: Option<OffBy>,
    /// What it was left off by.
    pub as_left: OffBy,
    /// How uncertain both are: expanded, with a coverage factor of 2 (JCGM 100:2008, 6.2.1).
    pub uncertainty: Accuracy,
}

/// By how much an instrument shows too much: `absolute` + `of_reading` · reading; below zero where it shows too little.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct OffBy {
    /// The same everywhere, canonical.
    pub absolute: f64,
    /// A share of what it reads.
    pub of_reading: f64,
}

impl OffBy {
    /// By how much it shows too much where it reads this.
    pub fn at(self, reading: f64) -> f64 {
        self.absolute + self.of_reading * reading
    }
}

/// What an instrument was off by from one calibration to the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Known {
    /// From this moment, µs since 1970 UTC.
    pub from_us: i64,
    /// Until before this one.
    pub to_us: i64,
    /// The middle of what it was left off by and of what it was found off by.
    pub off_by: OffBy,
    /// Half of the difference of both.
    between: Accuracy,
    /// How uncertain the calibrations are, expanded: the larger of both.
    uncertainty: Accuracy,
}

impl Known {
    /// Between two calibrations; `None` where the first doesn't tell what it left, or the second not what it found.
    fn between((from_us, first): Mark<'_>, (to_us, then): Mark<'_>) -> Option<Self> {
        let (left, found) = (first?.as_left, then?.as_found?);
        let (one, other) = (first?.uncertainty, then?.uncertainty);
        (to_us > from_us).then_some(Self {
            from_us,
            to_us,
            off_by: OffBy {
                absolute: 0.5 * (left.absolute + found.absolute),
                of_reading: 0.5 * (left.of_reading + found.of_reading),
            },
            between: Accuracy {
                absolute: 0.5 * (left.absolute - found.absolute).abs(),
                of_reading: 0.5 * (left.of_reading - found.of_reading).abs(),
            },
            uncertainty: Accuracy {
                absolute: one.absolute.max(other.absolute),
                of_reading: one.of_reading.max(other.of_reading),
            },
        })
    }

    /// Standard uncertainty of a corrected reading, from what the instrument may still be off by.
    #[inline]
    pub fn u(&self, reading: f64) -> f64 {
        let between = self.between.at(reading);
        between.hypot(0.5 * self.uncertainty.at(reading))
    }
}

/// A moment at which an instrument was calibrated, and what is told of it.
type Mark<'a> = (i64, Option<&'a Certificate>);

/// What the instruments of a site were off by, as far as calibrations tell.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct KnownErrors {
    known: BTreeMap<Column, Vec<Known>>,
    /// Calibrations that found something, each behind one that doesn't tell what it left: when both were.
    in_vain: Vec<(Column, i64, i64)>,
}

impl KnownErrors {
    pub fn of(site: &Site) -> Self {
        let told = site
            .events
            .iter()
            .filter(|event| event.certificate.is_some());
        let columns: std::collections::BTreeSet<Column> =
            told.filter_map(|event| event.of).collect();
        let mut found = Self::default();
        for column in columns {
            let mut of_column = Vec::new();
            for pair in marks(site, column).windows(2) {
                let [first, then] = pair else { continue };
                if let Some(known) = Known::between(*first, *then) {
                    of_column.push(known);
                } else if first.1.is_none() && then.1.is_some_and(|told| told.as_found.is_some()) {
                    found.in_vain.push((column, first.0, then.0));
                }
            }
            if !of_column.is_empty() {
                found.known.insert(column, of_column);
            }
        }
        found
    }

    /// Those of a column, in order of time.
    pub fn of_column(&self, column: Column) -> &[Known] {
        self.known.get(&column).map_or(&[], Vec::as_slice)
    }

    /// What the instrument of a column was off by at a time.
    pub fn at(&self, column: Column, time_us: i64) -> Option<&Known> {
        known_at(self.of_column(column), time_us)
    }

    /// From when until when a column's readings are corrected, and what corrects nothing; a sentence's end each.
    pub fn words(&self, column: Column) -> Vec<String> {
        let mut spans: Vec<(i64, i64)> = Vec::new();
        for known in self.of_column(column) {
            match spans.last_mut() {
                Some(last) if last.1 == known.from_us => last.1 = known.to_us,
                _ => spans.push((known.from_us, known.to_us)),
            }
        }
        let day = |us: i64| {
            let stamp = jiff::Timestamp::from_microsecond(us).unwrap_or_default();
            jiff::tz::TimeZone::UTC.to_datetime(stamp).date()
        };
        let name = column.name();
        let spans = spans.into_iter().map(|(from, to)| {
            format!(
                "{name} from {} to {} corrected for what calibrations found",
                day(from),
                day(to)
            )
        });
        let in_vain = self.in_vain.iter().filter(|(of, ..)| *of == column);
        let in_vain = in_vain.map(|(_, before, found)| {
            format!(
                "what was found of {name} on {} corrects nothing, since the calibration on {} doesn't tell what it left",
                day(*found),
                day(*before)
            )
        });
        spans.chain(in_vain).collect()
    }

    /// Whether an event leaves the corrected readings as they were: an instrument that was looked at and not touched, where readings on both sides
    /// are corrected or on neither.
    pub fn is_mere_check(&self, event: &Event) -> bool {
        let untouched = event
            .certificate
            .is_some_and(|told| told.as_found == Some(told.as_left));
        let of = event.of.map(|column| {
            [event.time_us.saturating_sub(1), event.time_us]
                .map(|time_us| self.at(column, time_us).is_some())
        });
        untouched && of.is_some_and(|[before, after]| before == after)
    }

    /// A reading, corrected where that is known.
    pub fn corrected(&self, column: Column, time_us: i64, reading: f64) -> f64 {
        let known = self.at(column, time_us);
        known.map_or(reading, |known| reading - known.off_by.at(reading))
    }
}

/// Of some in order of time, the one that holds at a time.
#[inline]
pub(crate) fn known_at(known: &[Known], time_us: i64) -> Option<&Known> {
    let at = known.partition_point(|one| one.to_us <= time_us);
    known.get(at).filter(|one| one.from_us <= time_us)
}

/// All calibrations of a column that are told of, in order of time. One that has no column may have been of any; one that stands as a date alone
/// tells nothing, unless that is the day of an event.
fn marks(site: &Site, column: Column) -> Vec<Mark<'_>> {
    const DAY_US: i64 = crate::trend::points::DAY_US;
    let of = |event: &&Event| {
        event.kind == EventKind::Calibration && event.of.is_none_or(|of| of == column)
    };
    let events = site.events.iter().filter(of);
    let mut marks: Vec<Mark<'_>> = events
        .map(|event| (event.time_us, event.certificate.as_ref()))
        .collect();
    let date = site.calibrated_on(column).and_then(|date| {
        let midnight = date.at(0, 0, 0, 0);
        jiff::tz::TimeZone::UTC.to_timestamp(midnight).ok()
    });
    if let Some(midnight_us) = date.map(jiff::Timestamp::as_microsecond) {
        // Whatever the time zone, its noon lies no further off.
        let of_the_day = |mark: &Mark<'_>| (mark.0 - midnight_us - DAY_US / 2).abs() <= DAY_US;
        if !marks.iter().any(of_the_day) {
            marks.push((midnight_us, None));
        }
    }
    marks.sort_by_key(|(time_us, _)| *time_us);
    marks
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use rand_chacha::rand_core::SeedableRng;

    fn site(events: &str) -> Site {
        let head = super::super::TEMPLATE;
        Site::parse(&format!("{head}\n{events}")).expect("a site")
    }

    fn calibration(day: &str, found: &str) -> String {
        format!(
            "[[event]]\ntime = \"{day}T00:00Z\"\nkind = \"calibration\"\nof = \"permeate_flow\"\n{found}\n"
        )
    }

    fn us(day: &str) -> i64 {
        let time: jiff::Timestamp = format!("{day}T00:00:00Z").parse().expect("a time");
        time.as_microsecond()
    }

    #[test]
    fn by_hand() {
        // Left right to 0.2 % too little, found 1.4 % too high a year later, 0.6 % uncertain (k = 2).
        let left = r#"as_left = "-0.2 % of reading"
uncertainty = "0.6 % of reading""#;
        let found = r#"as_found = "+1.4 % of reading"
as_left = "0 % of reading"
uncertainty = "0.5 % of reading""#;
        let site = site(&(calibration("2025-01-01", left) + &calibration("2026-01-01", found)));
        let known = KnownErrors::of(&site);
        let within = us("2025-07-01");
        // The middle is +0.6 %: 10 m3/h are 9.94.
        let corrected = known.corrected(Column::PermeateFlow, within, 10.0);
        assert!((corrected - 9.94).abs() < 1e-12, "{corrected}");
        // 0.8 % either way, with half of 0.6 %, is 0.854 %.
        let u = known
            .at(Column::PermeateFlow, within)
            .expect("known")
            .u(10.0);
        assert!((u - 0.0854).abs() < 1e-4, "{u}");
        // Before the first, after the last, and of another instrument nothing is known.
        for (column, day) in [
            (Column::PermeateFlow, "2024-12-31"),
            (Column::PermeateFlow, "2026-01-01"),
            (Column::FeedPressure, "2025-07-01"),
        ] {
            assert_eq!(known.corrected(column, us(day), 10.0), 10.0);
        }
    }

    #[test]
    fn a_calibration_that_tells_nothing_ends_what_is_known() {
        let told = |found: &str| format!("{found}as_left = \"0 bar\"\nuncertainty = \"0.1 bar\"");
        let pressure = |day: &str, told: &str| {
            calibration(day, told).replace("permeate_flow", "feed_pressure")
        };
        let ends = pressure("2025-01-01", &told(""))
            + &pressure("2025-12-01", &told("as_found = \"+0.4 bar\"\n"));
        assert_eq!(
            KnownErrors::of(&site(&ends))
                .of_column(Column::FeedPressure)
                .len(),
            1
        );
        // In between it was set right by somebody who wrote nothing down; nobody says of which instrument; or not what it was found off by.
        for between in [
            pressure("2025-06-01", ""),
            pressure("2025-06-01", "").replace("of = \"feed_pressure\"\n", ""),
            pressure("2025-06-01", &told("")),
        ] {
            let known = KnownErrors::of(&site(&(ends.clone() + &between)));
            let first = known.at(Column::FeedPressure, us("2025-03-01"));
            assert!(first.is_none(), "{between}");
            // What was found then is not passed over in silence.
            let words = known.words(Column::FeedPressure);
            let in_vain = "what was found of feed_pressure on 2025-12-01 corrects nothing, since the calibration on 2025-06-01 doesn't tell what it left";
            let of_use = known.at(Column::FeedPressure, us("2025-09-01")).is_some();
            assert_eq!(
                words.iter().any(|words| words == in_vain),
                !of_use,
                "{words:?}"
            );
        }
        // A date alone, in [instruments], does the same, unless it is the day of an event.
        for (date, known) in [("2025-06-01", 0), ("2025-12-01", 1), ("2024-12-01", 1)] {
            let dated =
                format!("{ends}[instruments]\nfeed_pressure = {{ calibrated_on = \"{date}\" }}\n");
            let found = KnownErrors::of(&site(&dated));
            assert_eq!(found.of_column(Column::FeedPressure).len(), known, "{date}");
        }
    }

    #[test]
    fn looking_changes_nothing_unless_correcting_begins_or_ends_there() {
        let told = |found: &str, left: &str| {
            format!(
                "as_found = \"{found} m3/h\"\nas_left = \"{left} m3/h\"\nuncertainty = \"0.1 m3/h\""
            )
        };
        let days = ["2025-01-01", "2025-06-01", "2026-01-01"];
        let of = |second: &str| {
            let looked = told("+0.1", "+0.1");
            let all = [
                calibration(days[0], &looked),
                calibration(days[1], second),
                calibration(days[2], &looked),
            ];
            let site = site(&all.concat());
            let known = KnownErrors::of(&site);
            let events = site.events.iter();
            events
                .map(|event| known.is_mere_check(event))
                .collect::<Vec<bool>>()
        };
        assert_eq!(of(&told("+0.1", "+0.1")), [false, true, false]);
        assert_eq!(of(&told("+0.1", "0")), [false, false, false]);
        // Nothing is known on either side of the others, where the one in between tells nothing.
        assert_eq!(of(""), [true, false, true]);
    }

    /// How many of 4,000 corrected readings of 100 lie within 1.645 standard uncertainties of the truth: certificates are off by a normal error, an
    /// instrument by what it was left off by, what it was found off by, and in between by `at` of the way.
    fn covered(left: f64, found: f64, at: impl Fn(f64) -> f64) -> f64 {
        use rand_distr::{Distribution, StandardNormal, StandardUniform};
        let mut random = rand_chacha::ChaCha8Rng::seed_from_u64(20_260);
        let uncertainty = Accuracy {
            absolute: 0.0,
            of_reading: 0.005,
        };
        let mut held = 0;
        for _ in 0..4_000 {
            let mut told = |truly: f64| {
                let error: f64 = StandardNormal.sample(&mut random);
                OffBy {
                    absolute: 0.0,
                    of_reading: truly + 0.5 * uncertainty.of_reading * error,
                }
            };
            let certificate = |as_found, as_left| Certificate {
                as_found,
                as_left,
                uncertainty,
            };
            let first = certificate(None, told(left));
            let then = certificate(Some(told(found)), OffBy::default());
            let known = Known::between((0, Some(&first)), (10, Some(&then))).expect("known");
            let when: f64 = StandardUniform.sample(&mut random);
            let truth = 100.0 * (1.0 - left - at(when) * (found - left));
            let corrected = 100.0 - known.off_by.at(100.0);
            held += u32::from((corrected - truth).abs() <= 1.645 * known.u(100.0));
        }
        f64::from(held) / 4_000.0
    }

    #[test]
    fn ninety_per_cent_intervals_hold_the_truth() {
        // It stayed as it was; drifted evenly by as much as the certificates are uncertain by, and by four times that; was bumped in between by
        // the one and the other; and drifted at the end alone.
        let shares = [
            covered(0.01, 0.01, |when| when),
            covered(0.01, 0.015, |when| when),
            covered(-0.005, 0.015, |when| when),
            covered(0.01, 0.015, f64::round),
            covered(-0.005, 0.015, f64::round),
            covered(0.0, 0.01, |when| when.powi(4)),
        ];
        assert!(shares.iter().all(|share| *share >= 0.9), "{shares:?}");
        // No wider than it must be where nothing moved.
        assert!(shares[0] < 0.99, "{shares:?}");
    }

    proptest! {
        #[test]
        fn what_it_was_off_by_lies_within(left in -0.1..0.1_f64, found in -0.1..0.1_f64, share in 0.0..1.0_f64, reading in 0.1..100.0_f64) {
            let certificate = |as_found, as_left| Certificate {
                as_found,
                as_left,
                uncertainty: Accuracy::default(),
            };
            let off = |of_reading| OffBy { absolute: 0.0, of_reading };
            let (one, other) = (certificate(None, off(left)), certificate(Some(off(found)), off(0.0)));
            let known = Known::between((0, Some(&one)), (10, Some(&other))).expect("known");
            // Wherever it lay between both ends, it is no further off than one standard uncertainty.
            let truly = left + share * (found - left);
            let rest = (truly - known.off_by.of_reading).abs() * reading;
            prop_assert!(rest <= known.u(reading) * (1.0 + 1e-9) + 1e-12);
        }
    }
}
