//! Times that follow each other: most are of the same day as the one before, of which one reading tells all.

use super::time::{Read, TimeFault, TimeReader};

const SECOND: i64 = 1_000_000;
/// No clock is set forward or back by more than this (in practice by an hour or two, and once by a day).
const FURTHEST_CHANGE: i64 = 26 * 3600 * SECOND;
/// A date and what parts it from the time of day: 2026-03-01T.
const DATE: usize = 11;

/// Reads times in their order.
pub(super) struct Days<'a> {
    reader: &'a TimeReader,
    /// The date of the time read last.
    last: [u8; DATE],
    known: Option<Day>,
}

/// A day on which the clock was not changed: any of its times is its start and the time of day.
struct Day {
    date: [u8; DATE],
    /// How long a time of day is written: 08:15, or 08:15:30.
    length: usize,
    /// What stands behind it: an offset, or nothing.
    behind: Vec<u8>,
    start: Read,
}

impl<'a> Days<'a> {
    pub fn new(reader: &'a TimeReader) -> Self {
        Self {
            reader,
            last: [0; DATE],
            known: None,
        }
    }

    /// The time that a text begins with, and how long it is written, where it is of the day that is known.
    #[inline(always)]
    pub fn of_known_day(&self, text: &[u8]) -> Option<(Read, usize)> {
        let day = self.known.as_ref()?;
        let (date, rest) = text.split_first_chunk::<DATE>()?;
        if !is_same(date, &day.date) {
            return None;
        }
        let seconds = time_of_day(rest.get(..day.length)?)?;
        let behind = rest.get(day.length..day.length + day.behind.len())?;
        let read = Read {
            time: day.start.time + seconds * SECOND,
            ..day.start
        };
        let length = DATE + day.length + behind.len();
        (behind.is_empty() || behind == day.behind).then_some((read, length))
    }

    /// Any time; of the second one of a day, the day is kept in mind.
    pub fn read(&mut self, text: &str) -> Result<Read, TimeFault> {
        let read = self.reader.read(text)?;
        if let Some(date) = text.as_bytes().first_chunk::<DATE>() {
            if self.last == *date {
                self.known = self.day(*date, text);
            }
            self.last = *date;
        }
        Ok(read)
    }

    fn day(&self, date: [u8; DATE], text: &str) -> Option<Day> {
        if !self.reader.takes_iso_alone() {
            return None;
        }
        let shape = text.get(DATE..)?;
        let (length, first, last) = if shape.as_bytes().get(5) == Some(&b':') {
            (8, "00:00:00", "23:59:59")
        } else {
            (5, "00:00", "23:59")
        };
        time_of_day(shape.as_bytes().get(..length)?)?;
        let behind = &shape[length..];
        // Parts of a second are of one time alone.
        if behind.starts_with(['.', ',']) {
            return None;
        }
        let at = |time: &str| {
            let read = self.reader.read(&[&text[..DATE], time, behind].concat());
            read.ok().filter(|read| read.later.is_none())
        };
        let (start, end) = (at(first)?, at(last)?);
        let whole = time_of_day(last.as_bytes())? * SECOND;
        let even = end.time - start.time == whole
            && end.offset == start.offset
            && self
                .reader
                .is_unchanged(start.time - FURTHEST_CHANGE, end.time + FURTHEST_CHANGE);
        even.then(|| Day {
            date,
            length,
            behind: behind.as_bytes().to_vec(),
            start,
        })
    }
}

/// Whether two dates are the same: as two words that overlap, which takes no call.
#[inline(always)]
fn is_same(one: &[u8; DATE], other: &[u8; DATE]) -> bool {
    one.first_chunk::<8>() == other.first_chunk::<8>()
        && one.last_chunk::<8>() == other.last_chunk::<8>()
}

/// The seconds of a time of day, 08:15 or 08:15:30.
#[inline(always)]
fn time_of_day(text: &[u8]) -> Option<i64> {
    let two = |at: usize, end: u8| {
        let (tens, ones) = (
            text.get(at)?.wrapping_sub(b'0'),
            text.get(at + 1)?.wrapping_sub(b'0'),
        );
        let value = tens.wrapping_mul(10).wrapping_add(ones);
        (tens < 10 && ones < 10 && value < end).then_some(i64::from(value))
    };
    let minutes = two(0, 24)? * 60 + two(3, 60)?;
    let seconds = match text.len() {
        5 => 0,
        8 if text[5] == b':' => two(6, 60)?,
        _ => return None,
    };
    (text[2] == b':').then_some(minutes * 60 + seconds)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::log::{ClockChange, ReadOptions};

    fn reader(zone: Option<&str>, clock_change: ClockChange) -> TimeReader {
        let options = ReadOptions {
            time_zone: zone.map(str::to_owned),
            clock_change: Some(clock_change),
            ..ReadOptions::default()
        };
        TimeReader::new(&options).unwrap()
    }

    /// Every time as by itself, whatever stood before it; and how many were told by their day.
    fn read(reader: &TimeReader, texts: &[String]) -> usize {
        let mut days = Days::new(reader);
        let mut by_day = 0;
        for text in texts {
            let alone = reader.read(text).ok();
            match days.of_known_day(format!("{text},12.5").as_bytes()) {
                Some((read, length)) => {
                    by_day += 1;
                    assert_eq!(Some(read), alone, "{text}");
                    assert_eq!(length, text.len(), "{text}");
                }
                None => assert_eq!(days.read(text).ok(), alone, "{text}"),
            }
        }
        by_day
    }

    fn hours(date: &str, behind: &str) -> Vec<String> {
        (0..24)
            .flat_map(|hour| {
                [0, 29, 59].map(|minute| format!("{date}{hour:02}:{minute:02}{behind}"))
            })
            .collect()
    }

    #[test]
    fn a_time_is_the_same_by_its_day_as_by_itself() {
        let zones = ["UTC", "Etc/GMT+7", "America/Denver", "Australia/Lord_Howe"];
        for zone in zones {
            let reader = reader(Some(zone), ClockChange::ByOrder);
            for behind in ["", ":30", "Z", ":00Z", "+05:30", ":00-07:00"] {
                let told = read(&reader, &hours("2026-06-15T", behind));
                assert_eq!(told, 70, "{zone} {behind}");
                // Of a day of daylight saving's, each time is asked for.
                for date in ["2026-03-08 ", "2026-11-01T", "2026-04-05T", "2026-10-04T"] {
                    read(&reader, &hours(date, behind));
                }
            }
        }
        let denver = reader(Some("America/Denver"), ClockChange::Refuse);
        assert_eq!(read(&denver, &hours("2026-03-08T", "")), 0);
        // By its offset a time is told without a zone, and without one not at all.
        let nowhere = reader(None, ClockChange::Refuse);
        assert_eq!(read(&nowhere, &hours("2026-06-15T", "+02:00")), 70);
        assert_eq!(read(&nowhere, &hours("2026-06-15T", "")), 0);
    }

    #[test]
    fn what_is_no_time_is_none_on_a_known_day_either() {
        let reader = reader(Some("UTC"), ClockChange::Refuse);
        let mut texts = hours("2026-06-15T", ":00");
        for odd in [
            "24:00:00",
            "23:60:00",
            "23:59:60",
            "1:00:00",
            "0a:00:00",
            "08-00:00",
            "08:00 00",
            "08:00",
            "",
            "08:00:00.5",
            "08:00:00Z",
            "08:00:00 ",
            "08:00:00[UTC]",
        ] {
            texts.push(format!("2026-06-15T{odd}"));
            texts.push(format!("2026-06-15 {odd}"));
        }
        // Behind what is no time, or not all of it, something else stands: the caller looks at that.
        let mut days = Days::new(&reader);
        for text in &texts {
            let alone = reader.read(text).ok();
            let by_day = days.of_known_day(text.as_bytes());
            match by_day.filter(|(_, length)| *length == text.len()) {
                Some((read, _)) => assert_eq!(Some(read), alone, "{text}"),
                None => assert_eq!(days.read(text).ok(), alone, "{text}"),
            }
        }
    }
}
