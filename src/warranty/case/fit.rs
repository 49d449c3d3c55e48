//! Whether a case can be judged at all: its records, its instruments, its membranes' start and ages.

use super::Case;
use crate::log::Column;
use crate::warranty::terms::Replacements;
use crate::warranty::{Gap, State, instruments, records, words};

impl Case<'_> {
    /// Why mixed ages refuse a verdict; `None` where they don't.
    pub fn mixed(&self) -> Option<String> {
        let last = self.replaced_us.last()?;
        (self.terms.replacements == Replacements::Refused).then(|| {
            format!(
                "membranes were replaced on {}: the log doesn't tell which, and a train of mixed ages is not judged as one ([warranty] replacements says what holds where all were)",
                words::day(*last)
            )
        })
    }

    /// The columns that carry a guarantee: those of permeate flow, or with them those of salt passage.
    pub fn carrying(&self, salt: bool) -> Vec<Column> {
        use Column::*;
        let mut wanted = vec![
            FeedTemperature,
            FeedPressure,
            DifferentialPressure,
            ConcentratePressure,
            PermeateFlow,
            FeedFlow,
            ConcentrateFlow,
            FeedConductivity,
            FeedTds,
        ];
        if salt {
            wanted.extend([PermeateConductivity, PermeateTds]);
        }
        // Where the contract has salt by conductivity, no other reading of it counts.
        let guarantee = self.terms.guarantee.as_ref();
        if guarantee.is_some_and(|guarantee| guarantee.tds_per_conductivity.is_some()) {
            wanted.retain(|column| !matches!(column, FeedTds | PermeateTds));
        }
        wanted
            .into_iter()
            .filter(|column| self.measured(*column).is_some())
            .collect()
    }

    /// What refuses every verdict on the membranes, the fewest days apart.
    pub fn unfit(&self, columns: &[Column]) -> (Vec<String>, Vec<Gap>) {
        let mut why: Vec<String> = self.mixed().into_iter().collect();
        why.extend(self.no_start());
        let mut gaps = Vec::new();
        for column in columns {
            if let Some(kept) = records::kept(self, *column, self.cohort_us())
                && kept.share < self.terms.records.complete
            {
                why.push(format!(
                    "the records are too thin: {} was read in {:.1} % of the times it was to be, {:.1} % are asked for",
                    words::spoken(column.name()),
                    100.0 * kept.share,
                    100.0 * self.terms.records.complete
                ));
                gaps.extend(kept.gaps);
            }
        }
        gaps.sort_by_key(|gap: &Gap| (gap.start_us, gap.end_us));
        gaps.dedup();
        why.extend(self.unfit_instruments(columns));
        let corrected = columns
            .iter()
            .filter(|column| self.are_corrected(&[**column]));
        why.extend(corrected.filter_map(|column| self.of_column(*column).err()));
        (why, gaps)
    }

    /// What about instruments refuses a verdict.
    pub fn unfit_instruments(&self, columns: &[Column]) -> Vec<String> {
        let mut why = Vec::new();
        let unknown = self.without_accuracy(columns);
        if !unknown.is_empty() {
            let names: Vec<&str> = unknown.iter().map(|column| column.name()).collect();
            why.push(format!(
                "the site file doesn't tell how far {} may be off ([instruments] accuracy), so no risk can be stated",
                names.join(", ")
            ));
        }
        if self.terms.records.calibration.is_some() {
            for state in [State::Overdue, State::NeverCalibrated] {
                let of: Vec<String> = instruments::all(self, columns)
                    .into_iter()
                    .filter(|carrying| carrying.state == state)
                    .map(|carrying| words::spoken(carrying.column.name()))
                    .collect();
                if !of.is_empty() {
                    why.push(format!(
                        "by [records] calibration, {}: {}",
                        state.words(),
                        of.join(", ")
                    ));
                }
            }
        }
        why
    }

    /// Why the membranes' start is not known: the log has nothing of it.
    fn no_start(&self) -> Option<String> {
        /// As long after the start its baseline is still one (common practice, no source).
        const WITHIN_D: f64 = 60.0;
        let start = self.cohort_us();
        let first = self
            .rows
            .iter()
            .copied()
            .find(|row| self.time(*row) >= start && self.result.reasons[*row].is_empty());
        let days = first.map_or(f64::INFINITY, |row| {
            self.time(row).saturating_sub(start) as f64 / crate::trend::points::DAY_US as f64
        });
        (days > WITHIN_D).then(|| match first {
            Some(row) => format!(
                "the log has nothing of the membranes' start on {}: its first reading that was used is of {}",
                words::day(start),
                words::day(self.time(row))
            ),
            None => format!("no reading after {} was used", words::day(start)),
        })
    }
}
