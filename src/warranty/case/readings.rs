//! The readings of a case: corrected for what calibrations found, and what each instrument may still be off by.

use std::borrow::Cow;
use std::collections::BTreeMap;

use super::Case;
use crate::log::Column;
use crate::normalise::Output;
use crate::normalise::inputs::{Origin, SaltFrom};
use crate::site::{EventKind, known_at, possible};
use crate::stats::median;
use crate::warranty::instruments::{Spread, off_by_of};
use crate::warranty::terms::LimitOf;
use crate::warranty::{words, zero};

/// The readings of something that has a limit, a figure a row of the case.
pub(in crate::warranty) struct Readings {
    /// Corrected for what calibrations found.
    pub values: Vec<f64>,
    /// Whether any of them is.
    pub corrected: bool,
    /// Standard uncertainty of what the instrument is off by, the same way in all readings.
    pub off_by: Vec<f64>,
    /// How that is spread.
    pub spread: Spread,
    /// Standard uncertainty of what scatters from reading to reading.
    pub scatter: f64,
    /// Whether the site file tells what scatters; else it is from the readings, with what the unit itself did in it.
    pub scatter_is_told: bool,
    /// The columns it is read from.
    pub columns: Vec<Column>,
    /// Those of them of which the site file tells no accuracy.
    pub unknown: Vec<Column>,
}

impl Case<'_> {
    /// A column's figures, measured and corrected or worked out; and where they come from.
    fn column(&self, column: Column) -> Option<(Cow<'_, [f64]>, Origin)> {
        if let Some(series) = self.result.log.get(column) {
            let values = &series.values[..];
            if self.result.inputs.known_errors.of_column(column).is_empty() {
                return Some((values.into(), Origin::Measured));
            }
            let corrected: Vec<f64> = (0..values.len())
                .map(|row| self.corrected(column, row, values[row]))
                .collect();
            return Some((corrected.into(), Origin::Measured));
        }
        let derived = self
            .result
            .series
            .iter()
            .find(|series| series.name == column.name())?;
        Some(((&derived.values[..]).into(), Origin::Derived))
    }

    /// A row's reading of a column, corrected for what its instrument was known to be off by.
    pub fn corrected(&self, column: Column, row: usize, shown: f64) -> f64 {
        let known = &self.result.inputs.known_errors;
        known.corrected(column, self.time(row), shown)
    }

    /// Standard uncertainty of what a column's instrument is off by in a row where it reads this: by its calibrations, else by its accuracy,
    /// else nothing.
    pub fn off_by(&self, column: Column, row: usize, reading: f64) -> f64 {
        let known = &self.result.inputs.known_errors;
        match known.at(column, self.time(row)) {
            Some(known) => known.u(reading),
            None => off_by_of(self.limit_of_error(column, reading)),
        }
    }

    /// How far a column's reading may be off, as good as surely.
    pub fn widest(&self, column: Column, row: usize, reading: f64) -> f64 {
        /// Standard deviations of what is normal.
        const SURELY: f64 = 3.0;
        let known = &self.result.inputs.known_errors;
        match known.at(column, self.time(row)) {
            Some(known) => SURELY * known.u(reading),
            None => self.limit_of_error(column, reading),
        }
    }

    /// A column's accuracy where it reads this; 0 where the site file doesn't tell it.
    fn limit_of_error(&self, column: Column, reading: f64) -> f64 {
        let instrument = self.result.site.instruments.get(&column);
        let accuracy = instrument.and_then(|known| known.accuracy);
        accuracy.map_or(0.0, |accuracy| accuracy.at(reading))
    }

    /// The readings of something that has a limit, or why there are none.
    pub fn readings(&self, of: LimitOf) -> Result<Readings, String> {
        match of {
            LimitOf::Column(column) => self.of_column(column),
            LimitOf::DropPerVessel => self.of_column(Column::DifferentialPressure),
            LimitOf::ChlorineExposure => self.of_column(Column::FeedFreeChlorine),
            LimitOf::Recovery => self.of_output(Output::Recovery),
            LimitOf::Flux => self.of_output(Output::Flux),
        }
    }

    pub(super) fn of_column(&self, column: Column) -> Result<Readings, String> {
        use Column::*;
        let Some((values, origin)) = self.column(column) else {
            return Err(match self.result.site.assume.get(&column) {
                Some(assumed) => format!(
                    "{} is assumed ({}), not read",
                    words::spoken(column.name()),
                    assumed.text
                ),
                None => format!("the log has no {}", column.name()),
            });
        };
        let values: Vec<f64> = self.rows.iter().map(|row| values[*row]).collect();
        let salt = |conductivity: Column, from: SaltFrom| match from {
            SaltFrom::Factor(_) | SaltFrom::Curve(_) => vec![conductivity],
            _ => vec![column],
        };
        let inputs = &self.result.inputs;
        let columns = match (origin, column) {
            (Origin::Measured, _) => vec![column],
            (_, DifferentialPressure) => vec![FeedPressure, ConcentratePressure],
            (_, FeedFlow) => vec![PermeateFlow, ConcentrateFlow],
            (_, PermeateFlow) => vec![FeedFlow, ConcentrateFlow],
            (_, FeedTds) => salt(FeedConductivity, inputs.feed_salt),
            (_, PermeateTds) => salt(PermeateConductivity, inputs.permeate_salt),
            _ => vec![column],
        };
        let mut off_by: Vec<f64> = vec![0.0; values.len()];
        let (mut unknown, mut told, mut fixed) = (Vec::new(), true, 0.0_f64);
        for part in &columns {
            let instrument = self.result.site.instruments.get(part);
            if instrument.is_none_or(|known| known.accuracy.is_none()) {
                unknown.push(*part);
                continue;
            }
            let as_salt = *part != column && column.quantity() != part.quantity();
            let own = self.column(*part).map(|(values, _)| values);
            for (at, off) in off_by.iter_mut().enumerate() {
                let row = self.rows[at];
                let reading = own.as_ref().map_or(values[at], |own| own[row]);
                let own_off = self.off_by(*part, row, reading);
                // Salt from conductivity is off by as large a share as that.
                *off = off.hypot(if as_salt {
                    own_off / reading.abs().max(1e-12) * values[at].abs()
                } else {
                    own_off
                });
            }
        }
        for part in &columns {
            let instrument = self.result.site.instruments.get(part);
            let resolution = instrument.and_then(|known| known.resolution).unwrap_or(0.0);
            let repeats = instrument.and_then(|known| known.repeatability);
            told &= repeats.is_some();
            if column.quantity() == part.quantity() {
                fixed = fixed
                    .hypot(resolution / 12.0_f64.sqrt())
                    .hypot(repeats.unwrap_or(0.0));
            }
        }
        let scatter = if told {
            fixed
        } else {
            fixed.max(self.scatter(&values))
        };
        if let Some(fault) = self.corrected_beyond_all(column, &values, scatter) {
            return Err(fault);
        }
        Ok(Readings {
            spread: self.spread_of(column, &columns, &values, scatter, told),
            corrected: self.are_corrected(&columns),
            values,
            off_by,
            scatter,
            scatter_is_told: told,
            columns,
            unknown,
        })
    }

    fn of_output(&self, output: Output) -> Result<Readings, String> {
        let series = self
            .result
            .series
            .iter()
            .find(|series| series.name == output.name());
        let Some(series) = series else {
            return Err(format!("the result has no {}", output.name()));
        };
        let values: Vec<f64> = self.rows.iter().map(|row| series.values[*row]).collect();
        let flows = [
            Column::PermeateFlow,
            Column::FeedFlow,
            Column::ConcentrateFlow,
        ];
        let columns: Vec<Column> = flows
            .into_iter()
            .filter(|column| self.measured(*column).is_some())
            .take(if output == Output::Flux { 1 } else { 2 })
            .collect();
        let unknown = self.without_accuracy(&columns);
        let typical = self.result.typical(&self.rows);
        let share = |time_us: i64, lasting: bool| {
            self.result
                .variances(self.at, &typical, time_us, output, lasting)
                .map_or(0.0, |(value, variances)| {
                    variances.iter().sum::<f64>().sqrt() / value
                })
        };
        let (lasting, all) = (share(self.until_us, true), share(self.until_us, false));
        // What the flow meters may be off by is another from each calibration on.
        let known = &self.result.inputs.known_errors;
        let mut shares: BTreeMap<Vec<Option<i64>>, f64> = BTreeMap::new();
        let mut lasting_at = |row: usize| {
            let time_us = self.time(row);
            let since = |column: &Column| known.at(*column, time_us).map(|known| known.from_us);
            let shares = shares.entry(flows.iter().map(since).collect());
            *shares.or_insert_with(|| share(time_us, true))
        };
        let usual = median(
            &mut values
                .iter()
                .copied()
                .filter(|value| value.is_finite())
                .collect::<Vec<_>>(),
        );
        let told = (all * all - lasting * lasting).max(0.0).sqrt() * usual;
        let off_by = self.rows.iter().zip(&values);
        Ok(Readings {
            off_by: off_by
                .map(|(row, value)| lasting_at(*row) * value)
                .collect(),
            corrected: self.are_corrected(&columns),
            spread: self.spread_of_instruments(&columns),
            scatter: self.scatter(&values).max(told),
            scatter_is_told: false,
            values,
            columns,
            unknown,
        })
    }

    /// Why a column is not to be judged where its calibrations make of a reading what can't be: a certificate is wrong, or of another instrument.
    fn corrected_beyond_all(&self, column: Column, values: &[f64], scatter: f64) -> Option<String> {
        // What a meter shows of nothing scatters to both sides.
        if column.is_exposure() || !self.are_corrected(&[column]) {
            return None;
        }
        let (low, high) = possible(column.quantity());
        let mut rows = self.rows.iter().zip(values);
        rows.find_map(|(row, value)| {
            let slack = self.widest(column, *row, *value) + 5.0 * scatter;
            let off = (low - value).max(value - high);
            (off > 0.0 && !(off <= slack.min(high - low))).then(|| {
                let unit = column.quantity().canonical();
                format!(
                    "corrected for what its calibrations found, {} would be {} on {}",
                    words::spoken(column.name()),
                    words::with_unit(*value, unit),
                    words::day(self.time(*row))
                )
            })
        })
    }

    /// Whether readings of some columns are corrected for what calibrations found.
    pub(super) fn are_corrected(&self, columns: &[Column]) -> bool {
        let known = &self.result.inputs.known_errors;
        let holds = |column: &Column| {
            let of_column = known.of_column(*column);
            let mut rows = self.rows.iter();
            !of_column.is_empty() && rows.any(|row| known_at(of_column, self.time(*row)).is_some())
        };
        columns.iter().any(holds)
    }

    /// How what the instruments of some columns are off by together is spread: of one evenly within its accuracy, unless its calibrations tell more.
    fn spread_of_instruments(&self, columns: &[Column]) -> Spread {
        match columns {
            [_] if !self.are_corrected(columns) => Spread::even(),
            _ => Spread::Normal,
        }
    }

    /// How what a column's meters are off by is spread: of one that is never less than nothing, and was not set right within the period, its low
    /// readings tell how much it may show too much.
    fn spread_of(
        &self,
        column: Column,
        columns: &[Column],
        values: &[f64],
        scatter: f64,
        scatter_is_told: bool,
    ) -> Spread {
        let instrument = self.result.site.instruments.get(&column);
        let accuracy = instrument.and_then(|known| known.accuracy);
        let set_right = || {
            let within = |us: i64| (self.start_us..=self.until_us).contains(&us);
            self.result.site.events.iter().any(|event| {
                event.kind == EventKind::Calibration
                    && event.of.is_none_or(|of| of == column)
                    && within(event.time_us)
            })
        };
        match accuracy {
            Some(accuracy)
                if columns == [column]
                    && !self.are_corrected(columns)
                    && column.is_exposure()
                    && column != Column::CleaningPh
                    && accuracy.of_reading == 0.0
                    && accuracy.absolute > 0.0
                    && scatter_is_told
                    && !set_right() =>
            {
                let shown: Vec<f64> = self
                    .rows
                    .iter()
                    .zip(values)
                    .filter(|(row, value)| {
                        value.is_finite() && !self.doubted(**row, LimitOf::Column(column))
                    })
                    .map(|(_, value)| *value)
                    .collect();
                let most = zero::shows_too_much(shown, scatter) / off_by_of(accuracy.absolute);
                let widest = 3.0_f64.sqrt();
                Spread::Even {
                    // A meter that must be off by more than its accuracy is off by all of that at least.
                    most: most.clamp(0.0, widest),
                }
            }
            _ => self.spread_of_instruments(columns),
        }
    }

    /// What scatters from reading to reading: robust, from how far each lies off the middle of its neighbours; 0 of fewer than 20. What the
    /// unit itself did in between is in it, so that it is rather too much than too little.
    fn scatter(&self, values: &[f64]) -> f64 {
        let known: Vec<f64> = self
            .rows
            .iter()
            .zip(values)
            .filter(|(row, value)| value.is_finite() && self.ran(**row))
            .map(|(_, value)| *value)
            .collect();
        let mut off: Vec<f64> = known
            .windows(3)
            .map(|three| (three[1] - 0.5 * (three[0] + three[2])).abs())
            .collect();
        if off.len() < 20 {
            return 0.0;
        }
        1.4826 * median(&mut off) / 1.5_f64.sqrt()
    }
}
